#include "collector/cli/findings.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { SENTENCES = 4096 };

static const char *const words[] = {"fine", "warning", "error"};

static void add_line(struct findings *findings, enum finding kind, const char *line)
{
    findings->count[kind]++;
    if (findings->list)
        json_array_append_new(findings->list,
                              json_pack("{s:s, s:s}", "kind", words[kind], "text", line));
    else
        printf("%-8s %s\n", words[kind], line);
}

void findings_add(struct findings *findings, enum finding kind, const char *format, ...)
{
    char text[SENTENCES], *rest = text, *line;
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    while ((line = strsep(&rest, "\n")) != NULL)
        if (*line)
            add_line(findings, kind, line);
}
