#include "gateway/verify/keyfile.h"

#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <csv.h>

#include "protocol/air/frame.h"

enum column { COLUMN_DEVADDR, COLUMN_NWK_SKEY, COLUMN_APP_SKEY, COLUMNS };

static const char *const column_names[COLUMNS] = {"devaddr", "nwk_skey", "app_skey"};

struct reading {
    const char *name;
    unsigned line;
    bool has_header;
    int order[COLUMNS]; /* which column stands at this place of a line */
    unsigned places;    /* in the header */
    unsigned place;     /* of the next field */
    struct verify_secret current;
    struct verify_secret *secrets;
    size_t count, capacity;
    int error; /* the first one; reading stops there */
    struct settings_fault *fault;
};

__attribute__((format(printf, 3, 4))) static void refuse(struct reading *r, int error,
                                                         const char *format, ...)
{
    if (r->error != 0)
        return;
    r->error = error;
    int used = snprintf(r->fault->text, sizeof r->fault->text, "%s:%u: ", r->name, r->line);
    if (used < 0 || (size_t)used >= sizeof r->fault->text)
        return;
    va_list args;
    va_start(args, format);
    vsnprintf(r->fault->text + used, sizeof r->fault->text - (size_t)used, format, args);
    va_end(args);
}

/* What a person typed, fit for a message: printable and short. */
static void printable(const char *text, size_t len, char out[24])
{
    size_t n = len < 23 ? len : 23;
    for (size_t i = 0; i < n; i++)
        out[i] = isprint((unsigned char)text[i]) ? text[i] : '?';
    out[n] = '\0';
}

static void take_header_field(struct reading *r, const char *text, size_t len)
{
    char shown[24];
    printable(text, len, shown);
    if (r->places >= COLUMNS) {
        refuse(r, -EINVAL, "more columns than devaddr,nwk_skey,app_skey: remove \"%s\".", shown);
        return;
    }
    for (int c = 0; c < COLUMNS; c++) {
        if (strlen(column_names[c]) != len || strncasecmp(column_names[c], text, len) != 0)
            continue;
        for (unsigned p = 0; p < r->places; p++)
            if (r->order[p] == c)
                refuse(r, -EINVAL, "column %s stands twice: remove one.", shown);
        r->order[r->places++] = c;
        return;
    }
    refuse(r, -EINVAL, "unknown column \"%s\": the first line must be devaddr,nwk_skey,app_skey%s.",
           shown, memchr(text, ';', len) ? ", separated by commas, not semicolons" : "");
}

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    if (c >= 'a' && c <= 'f')
        return c - 'a' + 10;
    if (c >= 'A' && c <= 'F')
        return c - 'A' + 10;
    return -1;
}

static bool hex_bytes(const char *text, size_t len, uint8_t *bytes, size_t count)
{
    if (len != 2 * count)
        return false;
    for (size_t i = 0; i < count; i++) {
        int high = hex_digit(text[2 * i]), low = hex_digit(text[2 * i + 1]);
        if (high < 0 || low < 0)
            return false;
        bytes[i] = (uint8_t)(high << 4 | low);
    }
    return true;
}

static void take_devaddr(struct reading *r, const char *text, size_t len)
{
    uint8_t bytes[4];
    char shown[24];
    printable(text, len, shown);
    if (!hex_bytes(text, len, bytes, sizeof bytes)) {
        refuse(
            r, -EINVAL,
            "devaddr \"%s\" is not 8 hexadecimal digits: write all eight, for instance 01A2B3C4 (a "
            "spreadsheet may have dropped leading zeros: format the column as text).",
            shown);
        return;
    }
    r->current.devaddr =
        (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 | bytes[3];
    if (r->current.devaddr > AIR_DEVADDR_MAX)
        refuse(
            r, -EINVAL,
            "devaddr %s is above %08X, where addresses belong to networks with an identifier: give "
            "the unit one from 00000000 to %08X.",
            shown, AIR_DEVADDR_MAX, AIR_DEVADDR_MAX);
}

static void take_key(struct reading *r, int column, const char *text, size_t len)
{
    uint8_t *key = column == COLUMN_NWK_SKEY ? r->current.nwk_skey : r->current.app_skey;
    if (hex_bytes(text, len, key, 16))
        return;
    if (len != 32)
        refuse(r, -EINVAL, "%s has %zu characters: a key is 32 hexadecimal digits.",
               column_names[column], len);
    else
        refuse(r, -EINVAL,
               "%s holds something other than 0-9 and A-F: a key is 32 hexadecimal digits.",
               column_names[column]);
}

static void on_field(void *field, size_t len, void *user)
{
    struct reading *r = user;
    const char *text = field == NULL ? "" : field;
    if (r->error != 0)
        return;
    if (!r->has_header) {
        take_header_field(r, text, len);
        return;
    }
    if (r->place >= COLUMNS)
        refuse(r, -EINVAL, "more than three fields: a line is devaddr,nwk_skey,app_skey.");
    else if (r->order[r->place] == COLUMN_DEVADDR)
        take_devaddr(r, text, len);
    else
        take_key(r, r->order[r->place], text, len);
    r->place++;
}

static void keep_current(struct reading *r)
{
    if (r->count == VERIFY_UNITS_MAX) {
        refuse(r, -E2BIG, "more than %d units: divide them among gateways.", VERIFY_UNITS_MAX);
        return;
    }
    if (r->count == r->capacity) {
        /* No realloc: it would leave a copy of the keys behind. */
        size_t capacity = r->capacity == 0 ? 256 : r->capacity * 2;
        struct verify_secret *grown = calloc(capacity, sizeof *grown);
        if (grown == NULL) {
            refuse(r, -ENOMEM, "not enough memory for the keys.");
            return;
        }
        if (r->count > 0) {
            memcpy(grown, r->secrets, r->count * sizeof *grown);
            explicit_bzero(r->secrets, r->count * sizeof *grown);
        }
        free(r->secrets);
        r->secrets = grown;
        r->capacity = capacity;
    }
    r->current.line = r->line;
    r->secrets[r->count++] = r->current;
}

static void on_line_end(int terminator, void *user)
{
    (void)terminator;
    struct reading *r = user;
    if (r->error != 0)
        return;
    if (!r->has_header) {
        if (r->places != COLUMNS)
            refuse(r, -EINVAL,
                   "a column is missing: the first line must be devaddr,nwk_skey,app_skey.");
        r->has_header = true;
        return;
    }
    if (r->place != COLUMNS)
        refuse(r, -EINVAL, "%u of three fields: a line is devaddr,nwk_skey,app_skey.", r->place);
    else
        keep_current(r);
    r->place = 0;
}

/* One line at a time, so that messages know where they are. */
static void parse_lines(struct reading *r, struct csv_parser *parser, const char *text, size_t len)
{
    for (size_t at = 0; at < len && r->error == 0;) {
        const char *end = memchr(text + at, '\n', len - at);
        size_t part = end == NULL ? len - at : (size_t)(end - (text + at)) + 1;
        r->line++;
        if (csv_parse(parser, text + at, part, on_field, on_line_end, r) != part)
            refuse(r, -EINVAL, "a quotation mark stands where none may be: %s.",
                   csv_strerror(csv_error(parser)));
        at += part;
    }
    if (r->error == 0 && csv_fini(parser, on_field, on_line_end, r) != 0)
        refuse(r, -EINVAL, "a quotation mark is not closed.");
}

static int compare_secrets(const void *a, const void *b)
{
    const struct verify_secret *left = a, *right = b;
    if (left->devaddr != right->devaddr)
        return left->devaddr < right->devaddr ? -1 : 1;
    return (left->line > right->line) - (left->line < right->line);
}

static void refuse_duplicates(struct reading *r)
{
    for (size_t i = 1; i < r->count; i++) {
        if (r->secrets[i].devaddr != r->secrets[i - 1].devaddr)
            continue;
        r->line = r->secrets[i].line;
        refuse(r, -EEXIST, "devaddr %08X stands on line %u already: remove one of the two.",
               r->secrets[i].devaddr, r->secrets[i - 1].line);
        return;
    }
}

static size_t mark_length(const char *text, size_t len)
{
    return len >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0 ? 3 : 0;
}

int keyfile_parse(const char *name, const char *text, size_t len, struct verify_table **table,
                  struct settings_fault *fault)
{
    struct reading r = {.name = name, .fault = fault};
    struct csv_parser parser;
    if (csv_init(&parser, CSV_STRICT | CSV_STRICT_FINI) != 0) {
        refuse(&r, -ENOMEM, "not enough memory to read the file.");
        return r.error;
    }
    size_t mark = mark_length(text, len);
    parse_lines(&r, &parser, text + mark, len - mark);
    if (r.error == 0 && !r.has_header)
        refuse(&r, -EINVAL, "the file is empty: the first line must be devaddr,nwk_skey,app_skey.");
    if (r.error == 0 && r.count > 0) {
        qsort(r.secrets, r.count, sizeof r.secrets[0], compare_secrets);
        refuse_duplicates(&r);
    }
    if (r.error == 0 && verify_table_new(r.secrets, r.count, table) != 0)
        refuse(&r, -ENOMEM, "not enough memory for the keys.");
    if (parser.entry_buf != NULL)
        explicit_bzero(parser.entry_buf, parser.entry_size);
    csv_free(&parser);
    if (r.count > 0)
        explicit_bzero(r.secrets, r.count * sizeof r.secrets[0]);
    explicit_bzero(&r.current, sizeof r.current);
    free(r.secrets);
    return r.error;
}

static int read_all(const char *path, char **text, size_t *len, struct settings_fault *fault)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
    if (fd < 0) {
        int error = -errno;
        snprintf(fault->text, sizeof fault->text, "%s: cannot be read: %s.", path,
                 strerror(-error));
        return error;
    }
    char *bytes = malloc(KEYFILE_SIZE_MAX + 1);
    size_t used = 0;
    ssize_t got = bytes == NULL ? -1 : 0;
    while (bytes != NULL && used <= KEYFILE_SIZE_MAX) {
        got = read(fd, bytes + used, KEYFILE_SIZE_MAX + 1 - used);
        if (got <= 0)
            break;
        used += (size_t)got;
    }
    int error = bytes == NULL ? -ENOMEM : got < 0 ? -errno : used > KEYFILE_SIZE_MAX ? -EFBIG : 0;
    close(fd);
    if (error != 0) {
        snprintf(fault->text, sizeof fault->text, "%s: cannot be read: %s.", path,
                 strerror(-error));
        free(bytes);
        return error;
    }
    *text = bytes;
    *len = used;
    return 0;
}

int keyfile_read(const char *path, struct verify_table **table, struct settings_fault *fault)
{
    int error = settings_secret_check(path, fault);
    if (error != 0)
        return error;
    char *text = NULL;
    size_t len = 0;
    error = read_all(path, &text, &len, fault);
    if (error != 0)
        return error;
    error = keyfile_parse(path, text, len, table, fault);
    if (text != NULL)
        explicit_bzero(text, len);
    free(text);
    return error;
}
