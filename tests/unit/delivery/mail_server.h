/* Starts mail_server.py, see there, and ends it. */
#ifndef MAIL_SERVER_H
#define MAIL_SERVER_H

#include <stddef.h>
#include <sys/types.h>

struct mail_server {
    pid_t pid;
    int hold; /* its standard input */
    int port;
    char folder[80]; /* what it received */
};

/* auth and faults may be "". Certificates come from mail_server_certificate(). */
void mail_server_start(struct mail_server *server, const char *mode, const char *auth,
                       const char *faults);
void mail_server_stop(struct mail_server *server);
/* Messages accepted so far. */
int mail_server_count(const struct mail_server *server);
/* Reads the n-th, from 1; freed by the caller. */
char *mail_server_message(const struct mail_server *server, int n, size_t *len);
/* Whether a line of the log begins with this. */
int mail_server_logged(const struct mail_server *server, const char *begin);
/* Makes a certificate for 127.0.0.1 with openssl, once; returns its path. */
const char *mail_server_certificate(void);
/* Removes it. */
void mail_server_end(void);

#endif
