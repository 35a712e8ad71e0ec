/*
 * The decoders' verdict, for comparison with the schemas: reads lines "MESSAGE<tab>JSON" and
 * answers each with "0" or with the error and the place, for instance "-4 frame.fcnt".
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/unit/feed/message.h"

static void answer(char *line)
{
    static union message_value value;
    struct feed_fault fault = {0};
    char *tab = strchr(line, '\t');
    if (tab == NULL) {
        puts("no tab");
        return;
    }
    *tab = '\0';
    const struct message *message = message_named(line);
    int rc =
        message == NULL ? -99 : message->decode(tab + 1, strcspn(tab + 1, "\n"), &value, &fault);
    printf("%d %s\n", rc, fault.where);
}

int main(void)
{
    char *line = NULL;
    size_t size = 0;
    while (getline(&line, &size, stdin) > 0)
        answer(line);
    free(line);
    return 0;
}
