/* stations.csv: RFC 4180, and what spreadsheets make of it. */
#include <ctype.h>
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <csv.h>

#include "collector/roster/parts.h"
#include "protocol/air/frame.h"
#include "protocol/feed/topic.h"

enum column { TRAP, BLOCK, UNIT, FROM, TO, LATITUDE, LONGITUDE, FULL_MARK, LOW_MARK, COLUMNS };
enum { FIELDS_MAX = 64, FIELD_MAX = 128, MARK_MAX_MM = 250, REQUIRED = 3 };

static const char *const names[COLUMNS] = {
    "trap", "block", "unit", "from", "to", "latitude", "longitude", "full_mark_mm", "low_mark_mm"};

struct reading {
    const char *path;
    const struct zone *zone;
    struct roster *roster;
    struct roster_fault *fault;
    size_t capacity;
    unsigned line, row_line; /* now; where this row began, 0: not begun */
    bool has_header, hopeless;
    int of_field[FIELDS_MAX]; /* column of each field; -1: none */
    size_t field;             /* of this row */
    char values[COLUMNS][FIELD_MAX];
    char header[FIELDS_MAX][FIELD_MAX];
    int error;
};

static bool parse_number(const char *text, double least, double most, double *number)
{
    char *end;
    errno = 0;
    double value = strtod(text, &end);
    if (end == text || *end || errno || !(value >= least && value <= most))
        return false;
    *number = value;
    return true;
}

bool roster_parse_instant(const char *text, const struct zone *zone, int64_t *at_s)
{
    unsigned year, month, day, hour = 0, minute = 0;
    int used = 0, more = 0;
    if (strspn(text, "0123456789-T: ") != strlen(text) ||
        sscanf(text, "%4u-%2u-%2u%n", &year, &month, &day, &used) != 3)
        return false;
    if (text[used] &&
        (sscanf(text + used, "%*1[T ]%2u:%2u%n", &hour, &minute, &more) != 2 || text[used + more]))
        return false;
    if (year < 2000 || year > 2099 || month < 1 || month > 12 || day < 1 || day > 31 || hour > 23 ||
        minute > 59)
        return false;
    int64_t at = zone_instant(zone, (int)year, (int)month, (int)day, hour * 3600 + minute * 60);
    struct zone_local local =
        zone_local(zone, zone_instant(zone, (int)year, (int)month, (int)day, 43200));
    if (local.day != (int)day) /* 30 February */
        return false;
    *at_s = at;
    return true;
}

static bool parse_unit(const char *text, uint32_t *devaddr)
{
    char *end;
    if (strlen(text) != 8 || strspn(text, "0123456789abcdefABCDEF") != 8)
        return false;
    unsigned long value = strtoul(text, &end, 16);
    *devaddr = (uint32_t)value;
    return value <= AIR_DEVADDR_MAX;
}

static void refuse(struct reading *r, enum column column, const char *remedy)
{
    roster_say(r->fault, "%s:%u: %s \"%.60s\" %s", r->path, r->row_line, names[column],
               r->values[column], remedy);
}

static bool read_names(struct reading *r, struct roster_assignment *to)
{
    unsigned before = r->fault->count;
    if (!feed_name_valid(r->values[TRAP]))
        refuse(r, TRAP,
               "is not a name: use 1 to 32 letters, digits, dots, hyphens or underscores.");
    else
        strcpy(to->trap, r->values[TRAP]);
    to->block = roster_block_named(r->roster, r->values[BLOCK]);
    if (r->values[BLOCK][0] == '\0')
        roster_say(r->fault, "%s:%u: trap \"%.40s\" is in no block: write the block's name.",
                   r->path, r->row_line, r->values[TRAP]);
    else if (to->block == r->roster->block_count)
        refuse(r, BLOCK,
               "has no boundary in the blocks file: draw it there, or correct the name here.");
    if (!parse_unit(r->values[UNIT], &to->devaddr))
        refuse(r, UNIT,
               "is not a unit: write its address as 8 hexadecimal digits, 00000000 to 03FFFFFF; "
               "format the column as text so that the spreadsheet keeps the zeros.");
    return before == r->fault->count;
}

static void read_dates(struct reading *r, struct roster_assignment *to)
{
    static const char remedy[] =
        "is not a date: write 2026-05-01, or 2026-05-01T14:30, in local time.";
    to->from_s = INT64_MIN;
    to->to_s = INT64_MAX;
    if (r->values[FROM][0] && !roster_parse_instant(r->values[FROM], r->zone, &to->from_s))
        refuse(r, FROM, remedy);
    if (r->values[TO][0] && !roster_parse_instant(r->values[TO], r->zone, &to->to_s))
        refuse(r, TO, remedy);
    if (to->to_s <= to->from_s)
        refuse(r, TO,
               "is not after \"from\": the day given is the first one on which it no longer hung "
               "there.");
}

static void read_position(struct reading *r, struct roster_assignment *to)
{
    const char *latitude = r->values[LATITUDE], *longitude = r->values[LONGITUDE];
    to->latitude = to->longitude = NAN;
    if (!*latitude && !*longitude)
        return;
    if (!parse_number(latitude, -90, 90, &to->latitude)) {
        refuse(r, LATITUDE,
               "is not a latitude: write degrees with a decimal point, for instance 44.6471.");
    } else if (!parse_number(longitude, -180, 180, &to->longitude)) {
        refuse(r, LONGITUDE,
               "is not a longitude: write degrees with a decimal point, for instance -122.6801.");
    } else if (to->block < r->roster->block_count) {
        double off_m =
            roster_distance_m(&r->roster->blocks[to->block], to->latitude, to->longitude);
        if (off_m > 100)
            roster_say(r->fault,
                       "%s:%u: trap \"%s\" lies %.0f m from block \"%s\": correct its position "
                       "or its block.",
                       r->path, r->row_line, to->trap, off_m, r->roster->blocks[to->block].name);
    }
}

static void read_mark(struct reading *r, enum column column, int *mm)
{
    double value = 0;
    const char *text = r->values[column];
    if (*text && (!parse_number(text, 1, MARK_MAX_MM, &value) || value != floor(value)))
        refuse(r, column,
               "is not a mark: write whole millimetres, 1 to 250, or leave it empty for the "
               "site's.");
    *mm = (int)value;
}

static int keep(struct reading *r, const struct roster_assignment *assignment)
{
    struct roster *roster = r->roster;
    if (roster->assignment_count == r->capacity) {
        size_t capacity = r->capacity ? 2 * r->capacity : 256;
        struct roster_assignment *more = realloc(roster->assignments, capacity * sizeof *more);
        if (!more)
            return -ENOMEM;
        roster->assignments = more;
        r->capacity = capacity;
    }
    roster->assignments[roster->assignment_count++] = *assignment;
    return 0;
}

static bool row_is_empty(const struct reading *r)
{
    for (int i = 0; i < COLUMNS; i++)
        if (r->values[i][0])
            return false;
    return true;
}

static void read_row(struct reading *r)
{
    struct roster_assignment assignment = {.line = r->row_line};
    unsigned before = r->fault->count;
    if (row_is_empty(r))
        return;
    if (r->roster->assignment_count >= ROSTER_LINES_MAX) {
        roster_say(r->fault, "%s: it has more than %d lines: is it the right file?", r->path,
                   ROSTER_LINES_MAX);
        r->hopeless = true;
        return;
    }
    read_names(r, &assignment);
    read_dates(r, &assignment);
    read_position(r, &assignment);
    read_mark(r, FULL_MARK, &assignment.full_mark_mm);
    read_mark(r, LOW_MARK, &assignment.low_mark_mm);
    if (assignment.full_mark_mm && assignment.low_mark_mm >= assignment.full_mark_mm)
        refuse(r, LOW_MARK,
               "is not below the full mark: the low mark is where the trap stops working.");
    if (before == r->fault->count)
        r->error = keep(r, &assignment);
}

static int column_named(const char *name)
{
    for (int i = 0; i < COLUMNS; i++)
        if (strcasecmp(name, names[i]) == 0)
            return i;
    return -1;
}

static void read_header(struct reading *r)
{
    bool seen[COLUMNS] = {false};
    r->has_header = true;
    for (size_t i = 0; i < r->field; i++) {
        int column = r->of_field[i] = column_named(r->header[i]);
        if (r->header[i][0] && column < 0)
            roster_say(r->fault,
                       "%s:%u: column \"%.40s\" is not known: use trap, block, unit, from, to, "
                       "latitude, longitude, full_mark_mm, low_mark_mm.",
                       r->path, r->row_line, r->header[i]);
        else if (column >= 0 && seen[column])
            roster_say(r->fault, "%s:%u: column \"%s\" is there twice: remove one.", r->path,
                       r->row_line, names[column]);
        if (column >= 0)
            seen[column] = true;
    }
    for (int i = 0; i < REQUIRED; i++)
        if (!seen[i]) {
            roster_say(r->fault,
                       "%s:%u: column \"%s\" is missing: the first line must name the columns.",
                       r->path, r->row_line, names[i]);
            r->hopeless = true;
        }
}

static void take_field(void *text, size_t len, void *user)
{
    struct reading *r = user;
    size_t field = r->field++;
    if (field >= FIELDS_MAX)
        return;
    int column = r->has_header ? r->of_field[field] : -1;
    char *to = !r->has_header ? r->header[field] : column >= 0 ? r->values[column] : NULL;
    if (!to)
        return;
    if (len >= FIELD_MAX || memchr(text, '\0', len)) {
        roster_say(r->fault, "%s:%u: field %zu is too long or holds a zero byte: shorten it.",
                   r->path, r->line, field + 1);
        len = 0;
    }
    if (len > 0)
        memcpy(to, text, len);
    to[len] = '\0';
}

static void end_row(int terminator, void *user)
{
    struct reading *r = user;
    (void)terminator;
    if (r->field > FIELDS_MAX) {
        roster_say(r->fault, "%s:%u: more than %d fields: is it the right file?", r->path,
                   r->row_line, FIELDS_MAX);
        r->hopeless = true;
    } else if (!r->has_header) {
        for (size_t i = 0; i < FIELDS_MAX; i++)
            r->of_field[i] = -1;
        read_header(r);
    } else if (!r->hopeless) {
        read_row(r);
    }
    memset(r->values, 0, sizeof r->values);
    r->field = 0;
    r->row_line = 0;
}

/* A byte at a time, so that the line of every row is known. */
static int feed(struct reading *r, struct csv_parser *parser, const char *text, size_t len)
{
    for (size_t i = 0; i < len && !r->error && !r->hopeless; i++) {
        if (r->row_line == 0 && text[i] != '\r' && text[i] != '\n')
            r->row_line = r->line;
        if (csv_parse(parser, &text[i], 1, take_field, end_row, r) != 1) {
            if (csv_error(parser) == CSV_ENOMEM)
                return -ENOMEM;
            roster_say(r->fault,
                       "%s:%u: a quotation mark is out of place: put it double inside a quoted "
                       "field.",
                       r->path, r->line);
            return 0;
        }
        if (text[i] == '\n')
            r->line++;
    }
    if (!r->error && !r->hopeless && csv_fini(parser, take_field, end_row, r) != 0)
        roster_say(r->fault, "%s:%u: a quoted field does not end: close its quotation mark.",
                   r->path, r->row_line);
    return r->error;
}

/* Spreadsheets of many countries separate with semicolons. */
static unsigned char separator_of(const char *text, size_t len)
{
    size_t line = 0;
    while (line < len && text[line] != '\n' && text[line] != '\r')
        line++;
    return memchr(text, ',', line) || !memchr(text, ';', line) ? CSV_COMMA : ';';
}

int roster_read_lines(const char *path, const char *text, size_t len, const struct zone *zone,
                      struct roster *roster, struct roster_fault *fault)
{
    struct csv_parser parser;
    struct reading *r = calloc(1, sizeof *r);
    if (!r || csv_init(&parser, CSV_STRICT | CSV_STRICT_FINI | CSV_APPEND_NULL)) {
        free(r);
        return -ENOMEM;
    }
    *r = (struct reading){.path = path, .zone = zone, .roster = roster, .fault = fault, .line = 1};
    if (len >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0)
        text += 3, len -= 3;
    csv_set_delim(&parser, separator_of(text, len));
    int error = feed(r, &parser, text, len);
    if (!error && !r->has_header && fault->count == 0)
        roster_say(fault,
                   "%s: it is empty: the first line must name the columns trap, block, unit.",
                   path);
    csv_free(&parser);
    free(r);
    return error;
}
