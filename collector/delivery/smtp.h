/* Hands messages to mail servers on the caller's event loop. The one place that knows libcurl. */
#ifndef EDGEROW_SMTP_H
#define EDGEROW_SMTP_H

#include <stddef.h>
#include <systemd/sd-event.h>

struct smtp;

enum smtp_outcome {
    SMTP_ACCEPTED, /* the server has taken it over */
    SMTP_LATER,    /* 4yz, or no answer: try again */
    SMTP_REFUSED   /* 5yz, wrong password or certificate: somebody must act; trying again may still
                      help */
};

enum smtp_security { SMTP_PLAIN, SMTP_STARTTLS, SMTP_TLS };

struct smtp_job { /* copied as far as needed, except bytes */
    const char *server;
    unsigned port;
    enum smtp_security security;
    const char *user, *password; /* user empty: none */
    const char *ca_file;         /* empty: the system's */
    const char *from;            /* plain address */
    const char *const *to;       /* plain addresses */
    size_t to_count;
    const char *bytes; /* must last until done */
    size_t len;
    unsigned patience_s; /* for the whole of it */
};

/* Called once for each job, never from within smtp_send. why is a sentence, empty when accepted. */
typedef void (*smtp_done)(void *user, enum smtp_outcome outcome, const char *why);

int smtp_open(struct smtp **smtp, sd_event *event);
/* Jobs under way are dropped without being called. */
void smtp_close(struct smtp *smtp);
/* 0 or a negative errno; on failure done is not called. */
int smtp_send(struct smtp *smtp, const struct smtp_job *job, smtp_done done, void *user);

#endif
