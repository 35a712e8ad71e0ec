/*
 * A message as it goes to a mail server: RFC 5322 headers, MIME text in quoted-printable, lines of
 * at most 78 characters ended by CR LF. Pure: the same fields give the same bytes. No field can add
 * a header: control characters become spaces.
 */
#ifndef EDGEROW_MESSAGE_H
#define EDGEROW_MESSAGE_H

#include <stddef.h>
#include <stdint.h>

struct message {
    const char *from, *to;       /* address lists, see address.h */
    const char *subject, *text;  /* UTF-8; lines of text end with LF */
    const char *site, *delivery; /* names */
    int64_t notice;              /* 0: a letter, which stands alone */
    uint32_t revision;
    int64_t opened_s; /* of the notice: tells apart notices of a store made anew */
    int64_t at_s;     /* Date */
    int64_t offset_s; /* local time at the site, seconds east of UTC */
};

/* *bytes is freed by the caller. 0, -ENOMEM, or -EINVAL for an address. Message-ID is derived from
 * (notice, revision, delivery), so that a message that arrives twice is known as one. */
int message_write(const struct message *message, char **bytes, size_t *len);

#endif
