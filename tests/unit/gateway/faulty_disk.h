/* A disk that fails: sits below SQLite and lets the Nth write, sync or truncation fail, once or from then
 * on. */
#ifndef TESTS_GATEWAY_FAULTY_DISK_H
#define TESTS_GATEWAY_FAULTY_DISK_H

#include <stdbool.h>

/* Becomes SQLite's default file system. */
void faulty_disk_install(void);
/* The nth operation from now fails (1: the next); with for_good also all after it. 0: none fails. */
void faulty_disk_arm(unsigned nth, bool for_good);
/* True when an operation has failed since it was armed. */
bool faulty_disk_struck(void);

#endif
