/* Prints the golden message of a name, for a person who changes a message on purpose and reviews
 * the difference. */
#include <stdio.h>
#include <string.h>

#include "tests/unit/feed/samples.h"

int main(int argc, char **argv)
{
    static union message_value value;
    static char text[FEED_MESSAGE_MAX + 1];
    size_t len;
    for (unsigned i = 0; i < sample_count && argc == 2; i++) {
        if (strcmp(samples[i].file, argv[1]) != 0)
            continue;
        memset(&value, 0, sizeof value);
        samples[i].fill(&value);
        if (message_named(samples[i].message)->encode(&value, text, sizeof text, &len) != FEED_OK)
            break;
        puts(text);
        return 0;
    }
    fprintf(stderr, "usage: %s NAME, one of:\n", argv[0]);
    for (unsigned i = 0; i < sample_count; i++)
        fprintf(stderr, "  %s\n", samples[i].file);
    return 1;
}
