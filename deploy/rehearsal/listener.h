/* Listens to the broker on the rehearsal's own loop; comes back when the broker does. */
#ifndef EDGEROW_REHEARSAL_LISTENER_H
#define EDGEROW_REHEARSAL_LISTENER_H

#include <stdbool.h>
#include <stddef.h>
#include <systemd/sd-event.h>

struct listener;

typedef void (*listener_message)(void *user, const char *topic, const char *text, size_t len);

/* filters: NULL-terminated; must outlive the listener. */
int listener_open(struct listener **listener, sd_event *event, int port, const char *const *filters,
                  listener_message message, void *user);
void listener_close(struct listener *listener);
bool listener_connected(const struct listener *listener);

#endif
