/* edgerow frame: for people who build stations. */
#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "collector/cli/command.h"
#include "collector/cli/frame_view.h"
#include "collector/cli/hex.h"
#include "gateway/verify/keyfile.h"

enum { LINE_MAX_BYTES = 2048 };

struct options {
    const char *keys_file, *nwk_skey, *app_skey;
    bool has_last, hex_only;
    uint32_t last;
};

/* Keys of one unit, or the whole file, by address. */
struct keyring {
    struct verify_table *table;
    struct air_keys one;
    bool has_one;
};

static int misuse(const char *what)
{
    return command_misuse(&frame_command, "%s", what);
}

static int read_key(const char *text, const char *option, uint8_t key[16])
{
    size_t len = 0;
    int error = hex_parse(text, key, 16, &len);
    if (error == 0 && len == 16)
        return 0;
    return command_misuse(&frame_command, "%s takes 32 hex digits, the first byte first", option);
}

static int keyring_open(struct keyring *ring, const struct options *options)
{
    uint8_t nwk[16], app[16];
    struct settings_fault fault;
    if (options->keys_file) {
        if (keyfile_read(options->keys_file, &ring->table, &fault) == 0)
            return COMMAND_FINE;
        fprintf(stderr, "%s\n", fault.text);
        return COMMAND_TROUBLE;
    }
    if (!options->nwk_skey && !options->app_skey)
        return COMMAND_FINE;
    if (!options->nwk_skey || !options->app_skey)
        return misuse("--nwk-skey and --app-skey belong together");
    if (read_key(options->nwk_skey, "--nwk-skey", nwk) != 0 ||
        read_key(options->app_skey, "--app-skey", app) != 0)
        return COMMAND_MISUSE;
    ring->has_one = air_keys_init(&ring->one, nwk, app) == AIR_OK;
    return COMMAND_FINE;
}

static void keyring_close(struct keyring *ring)
{
    if (ring->has_one)
        air_keys_free(&ring->one);
    verify_table_free(ring->table);
}

static const struct air_keys *keyring_find(const struct keyring *ring, uint32_t devaddr)
{
    if (ring->has_one)
        return &ring->one;
    const struct verify_unit *unit = ring->table ? verify_table_find(ring->table, devaddr) : NULL;
    return unit ? &unit->keys : NULL;
}

/* 0, or a command_status. */
static int read_options(int argc, char **argv, struct options *options)
{
    static const struct option known[] = {
        {"keys", required_argument, NULL, 'k'},
        {"nwk-skey", required_argument, NULL, 'n'},
        {"app-skey", required_argument, NULL, 'a'},
        {"after", required_argument, NULL, 'l'},
        {"hex", no_argument, NULL, 'x'},
        {NULL, 0, NULL, 0},
    };
    int option;
    optind = 0;
    while ((option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        char *end = NULL;
        switch (option) {
        case 'k':
            options->keys_file = optarg;
            break;
        case 'n':
            options->nwk_skey = optarg;
            break;
        case 'a':
            options->app_skey = optarg;
            break;
        case 'l':
            errno = 0;
            options->last = (uint32_t)strtoul(optarg, &end, 10);
            options->has_last = true;
            if (errno != 0 || end == optarg || *end != '\0' || optarg[0] == '-' ||
                strtoull(optarg, NULL, 10) > UINT32_MAX)
                return misuse("--after takes the last counter accepted, 0 to 4294967295");
            break;
        case 'x':
            options->hex_only = true;
            break;
        default:
            return misuse("see what it takes:");
        }
    }
    return 0;
}

static int print_view(const struct frame_view *view, size_t flags)
{
    char text[FRAME_VIEW_TEXT];
    int error = frame_view_write(view, text);
    json_t *object = error == 0 ? json_loads(text, 0, NULL) : NULL;
    if (!object) {
        fprintf(stderr, "edgerow frame: out of memory\n");
        return COMMAND_TROUBLE;
    }
    json_dumpf(object, stdout, flags | JSON_REAL_PRECISION(12));
    putchar('\n');
    json_decref(object);
    return view->trouble[0] == '\0' ? COMMAND_FINE : COMMAND_TROUBLE;
}

static int read_one(const char *hex, const struct options *options, const struct keyring *ring,
                    size_t flags)
{
    uint8_t bytes[AIR_FRAME_MAX + 1];
    size_t len = 0;
    struct frame_view view;
    int error = hex_parse(hex, bytes, sizeof bytes, &len);
    if (error == -EINVAL) {
        fprintf(stderr, "edgerow frame: \"%.40s\" is not whole bytes in hex\n", hex);
        return COMMAND_TROUBLE;
    }
    error = error != 0 ? AIR_LONG : frame_view_read(&view, bytes, len, NULL, NULL);
    if (error == AIR_OK) {
        const struct air_keys *keys = keyring_find(ring, view.frame.devaddr);
        error = frame_view_read(&view, bytes, len, keys, options->has_last ? &options->last : NULL);
        if (error == AIR_OK && !keys && ring->table)
            snprintf(view.trouble, sizeof view.trouble, "No keys for this address in %.100s",
                     options->keys_file);
    }
    if (error == AIR_OK)
        return print_view(&view, flags);
    fprintf(stderr, "edgerow frame: %.40s%s: %s (%zu bytes; a data frame has 12 to 255)\n", hex,
            strlen(hex) > 40 ? "..." : "", air_error_text(error), len);
    return COMMAND_TROUBLE;
}

static int read_lines(const struct options *options, const struct keyring *ring)
{
    char line[LINE_MAX_BYTES];
    int worst = COMMAND_FINE;
    while (fgets(line, sizeof line, stdin)) {
        line[strcspn(line, "\r\n")] = '\0';
        if (line[0] == '\0')
            continue;
        int status = read_one(line, options, ring, JSON_COMPACT);
        worst = status > worst ? status : worst;
    }
    return worst;
}

static int read_frames(int count, char **hex, const struct options *options,
                       const struct keyring *ring)
{
    int worst = COMMAND_FINE;
    if (count == 0)
        return misuse("give a frame in hex, or - to read one a line");
    for (int i = 0; i < count; i++) {
        int status = strcmp(hex[i], "-") == 0 ? read_lines(options, ring)
                                              : read_one(hex[i], options, ring, JSON_INDENT(2));
        worst = status > worst ? status : worst;
    }
    return worst;
}

static json_t *load_description(const char *path)
{
    bool from_stdin = strcmp(path, "-") == 0;
    const char *name = from_stdin ? "standard input" : path;
    json_error_t error;
    FILE *in = from_stdin ? stdin : fopen(path, "r");
    if (!in) {
        fprintf(stderr, "edgerow frame: %s: %s\n", path, strerror(errno));
        return NULL;
    }
    json_t *object = json_loadf(in, JSON_REJECT_DUPLICATES, &error);
    if (!from_stdin)
        fclose(in);
    if (!object)
        fprintf(stderr, "edgerow frame: %s:%d: %s\n", name, error.line, error.text);
    if (object && !json_is_object(object)) {
        fprintf(stderr, "edgerow frame: %s: one JSON object is wanted, as `frame read` prints\n",
                name);
        json_decref(object);
        object = NULL;
    }
    return object;
}

static int build_view(struct frame_view *view, json_t *object, const struct keyring *ring)
{
    char why[200];
    if (frame_view_parse(view, object, why) != 0) {
        fprintf(stderr, "edgerow frame: %s; the layouts are in AIR.md\n", why);
        return COMMAND_TROUBLE;
    }
    const struct air_keys *keys = keyring_find(ring, view->frame.devaddr);
    if (!keys) {
        fprintf(stderr,
                "edgerow frame: no keys for %08" PRIx32
                ": give --nwk-skey and --app-skey, or --keys with a file that holds it\n",
                view->frame.devaddr);
        return COMMAND_TROUBLE;
    }
    int error = frame_view_build(view, keys);
    if (error != AIR_OK)
        fprintf(stderr, "edgerow frame: cannot be built: %s\n", air_error_text(error));
    return error == AIR_OK ? COMMAND_FINE : COMMAND_TROUBLE;
}

static int build_frame(int count, char **paths, const struct options *options,
                       const struct keyring *ring)
{
    struct frame_view view;
    if (count > 1)
        return misuse("build takes one description");
    json_t *object = load_description(count == 1 ? paths[0] : "-");
    if (!object)
        return COMMAND_TROUBLE;
    int status = build_view(&view, object, ring);
    json_decref(object);
    if (status != COMMAND_FINE)
        return status;
    if (!options->hex_only)
        return print_view(&view, JSON_INDENT(2));
    char text[2 * AIR_FRAME_MAX + 1];
    hex_format(view.bytes, view.len, text);
    puts(text);
    return COMMAND_FINE;
}

static int run(int argc, char **argv)
{
    struct options options = {0};
    struct keyring ring = {0};
    int status = read_options(argc, argv, &options);
    if (status != 0)
        return status;
    const char *verb = optind < argc ? argv[optind++] : "";
    if (strcmp(verb, "read") != 0 && strcmp(verb, "build") != 0)
        return misuse("say read or build");
    status = keyring_open(&ring, &options);
    if (status == COMMAND_FINE)
        status = strcmp(verb, "read") == 0
                     ? read_frames(argc - optind, argv + optind, &options, &ring)
                     : build_frame(argc - optind, argv + optind, &options, &ring);
    keyring_close(&ring);
    return status;
}

const struct command frame_command = {
    .name = "frame",
    .summary = "decode or build a frame, for people who build stations",
    .usage = "usage: edgerow frame read  [KEYS] [--after FCNT] HEX...|-\n"
             "       edgerow frame build [KEYS] [--hex] [FILE|-]\n"
             "\n"
             "read   decodes frames given in hex, or one a line from standard input, as JSON\n"
             "build  builds a frame from JSON with the same keys that read prints\n"
             "\n"
             "KEYS   --nwk-skey HEX --app-skey HEX   the two keys of the unit\n"
             "       --keys FILE                     the gateway's key file; the address decides\n"
             "--after FCNT   highest counter accepted so far, when it is past 1048575\n"
             "--hex          print the frame alone, in hex\n"
             "\n"
             "Keys on the command line are seen by every user of this machine: use --keys for real "
             "ones.\n"
             "The layouts, units and duties of a station are in AIR.md.\n",
    .run = run,
};
