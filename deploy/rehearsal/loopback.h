/* Ports on 127.0.0.1. */
#ifndef EDGEROW_REHEARSAL_LOOPBACK_H
#define EDGEROW_REHEARSAL_LOOPBACK_H

/* A listening socket on *port, or on a free one when that is 0, or a negative errno. */
int loopback_listen(int *port);
/* A connected socket, or a negative errno. */
int loopback_connect(int port);
/* A port that nobody uses now. Somebody else may take it before it is used: the caller sees that by
 * the program that fails to bind. Or a negative errno. */
int loopback_free_port(void);

#endif
