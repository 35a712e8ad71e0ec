/* A real mosquitto on 127.0.0.1 in a folder of its own, for one test. */
#ifndef EDGEROW_TESTS_BROKER_H
#define EDGEROW_TESTS_BROKER_H

#include <sys/types.h>

struct broker {
    char folder[40];
    int port;
    pid_t pid;
};

/* A port that was free a moment ago. */
int broker_free_port(void);
/* extra: lines for the configuration, before the listener's "allow_anonymous" (NULL: anonymous). */
void broker_prepare(struct broker *broker, const char *extra);
void broker_start(struct broker *broker); /* returns when it listens */
void broker_stop(struct broker *broker, int signal);
void broker_remove(struct broker *broker);
/* A file in the broker's folder; the path in a static buffer. */
const char *broker_file(const struct broker *broker, const char *name, const char *text);

#endif
