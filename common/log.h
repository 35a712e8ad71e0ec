/* One line to the journal or to standard error. What a person can act on is said once per kind and
 * rate. */
#ifndef EDGEROW_LOG_H
#define EDGEROW_LOG_H

#include <stdbool.h>
#include <stdint.h>

enum log_level { LOG_LEVEL_ERROR, LOG_LEVEL_WARNING, LOG_LEVEL_INFO, LOG_LEVEL_DEBUG };

/* Call once, before any thread starts. Lines above level are left out. */
void log_open(const char *program, enum log_level level);
const char *log_program(void);
/* Control characters become spaces; a line is cut at 2 KiB; errno is kept; safe from any thread. */
void log_line(enum log_level level, const char *format, ...) __attribute__((format(printf, 2, 3)));

#define log_error(...)   log_line(LOG_LEVEL_ERROR, __VA_ARGS__)
#define log_warning(...) log_line(LOG_LEVEL_WARNING, __VA_ARGS__)
#define log_info(...)    log_line(LOG_LEVEL_INFO, __VA_ARGS__)
#define log_debug(...)   log_line(LOG_LEVEL_DEBUG, __VA_ARGS__)

/* At most one line a minute of transport time for one kind; says how many were held back. All zero
 * is a new gate, whose first line passes. */
struct log_gate {
    bool open;
    int64_t last_us;
    uint64_t held;
};
/* True when a line may be written now; *held is how many were held back since the last one. */
bool log_gate_open(struct log_gate *gate, int64_t now_us, uint64_t *held);

#endif
