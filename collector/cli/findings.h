/* What a check found, said as it is found, or gathered for JSON. */
#ifndef EDGEROW_CLI_FINDINGS_H
#define EDGEROW_CLI_FINDINGS_H

#include <jansson.h>
#include <stdbool.h>

enum finding { FINDING_FINE, FINDING_WARNING, FINDING_ERROR };

struct findings {
    json_t *list; /* NULL: say them on standard output */
    unsigned count[FINDING_ERROR + 1];
};

/* One sentence that names file, line or section, value and remedy, as far as they apply. A text of
 * several lines is several findings. */
void findings_add(struct findings *findings, enum finding kind, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

#endif
