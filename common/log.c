#include "common/log.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

enum { LINE_MAX_BYTES = 2048, GATE_US = 60 * 1000 * 1000 };

static const struct {
    const char *word;
    int syslog; /* priority of syslog, RFC 5424 table 2 */
} levels[] = {
    [LOG_LEVEL_ERROR] = {"error", 3},
    [LOG_LEVEL_WARNING] = {"warning", 4},
    [LOG_LEVEL_INFO] = {"info", 6},
    [LOG_LEVEL_DEBUG] = {"debug", 7},
};

static char program_name[32] = "edgerow";
static enum log_level threshold = LOG_LEVEL_INFO;
static bool to_journal;

/* systemd names device and inode of the stream it gave us, so a redirected stream is told apart. */
static bool stderr_is_journal(void)
{
    const char *stream = getenv("JOURNAL_STREAM");
    struct stat st;
    char mine[64];

    if (!stream || fstat(STDERR_FILENO, &st) < 0)
        return false;
    snprintf(mine, sizeof mine, "%ju:%ju", (uintmax_t)st.st_dev, (uintmax_t)st.st_ino);
    return strcmp(stream, mine) == 0;
}

void log_open(const char *program, enum log_level level)
{
    snprintf(program_name, sizeof program_name, "%s", program);
    threshold = level;
    to_journal = stderr_is_journal();
}

const char *log_program(void)
{
    return program_name;
}

/* The journal stamps lines itself and reads the level from "<n>"; a terminal or a file needs both.
 */
static size_t write_head(char *line, size_t capacity, enum log_level level)
{
    time_t now = time(NULL);
    struct tm utc;
    char stamp[32];

    if (to_journal)
        return (size_t)snprintf(line, capacity, "<%d>", levels[level].syslog);
    gmtime_r(&now, &utc);
    strftime(stamp, sizeof stamp, "%Y-%m-%dT%H:%M:%SZ", &utc);
    return (size_t)snprintf(line, capacity, "%s %s %s: ", stamp, program_name, levels[level].word);
}

/* Text from the broker or the air may not start a line of its own or steer a terminal. */
static void blank_controls(char *text)
{
    for (; *text; text++) {
        if ((unsigned char)*text < 0x20 || *text == 0x7f)
            *text = ' ';
    }
}

void log_line(enum log_level level, const char *format, ...)
{
    char line[LINE_MAX_BYTES];
    va_list arguments;
    int saved = errno;

    if (level > threshold)
        return;
    size_t head = write_head(line, sizeof line, level);
    va_start(arguments, format);
    vsnprintf(line + head, sizeof line - head - 1, format, arguments);
    va_end(arguments);
    blank_controls(line + head);
    size_t len = strlen(line);
    line[len++] = '\n';
    /* One write a line: lines of two threads never mix. Nobody can be told when even this fails. */
    ssize_t written = write(STDERR_FILENO, line, len);
    (void)written;
    errno = saved;
}

bool log_gate_open(struct log_gate *gate, int64_t now_us, uint64_t *held)
{
    if (gate->open && now_us - gate->last_us < GATE_US) {
        gate->held++;
        return false;
    }
    *held = gate->held;
    gate->held = 0;
    gate->last_us = now_us;
    gate->open = true;
    return true;
}
