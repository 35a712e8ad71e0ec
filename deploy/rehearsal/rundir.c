#include "deploy/rehearsal/rundir.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "deploy/rehearsal/blows.h"
#include "deploy/rehearsal/place_files.h"

enum { SOCKET_PATH_MAX = 107, LONGEST_NAME = 48 };

void rundir_path(const struct rundir *dir, char path[RUNDIR_PATH_MAX], const char *format, ...)
{
    char rest[96];
    va_list args;
    va_start(args, format);
    vsnprintf(rest, sizeof rest, format, args);
    va_end(args);
    snprintf(path, RUNDIR_PATH_MAX, "%s/%s", dir->path, rest);
}

static int make_folder(const struct rundir *dir, const char *name)
{
    char path[RUNDIR_PATH_MAX];
    rundir_path(dir, path, "%s", name);
    if (mkdir(path, 0755) == 0)
        return 0;
    int error = errno;
    fprintf(stderr, "edgerow-rehearse: %s: %s\n", path, strerror(error));
    return -error;
}

static int make_root(struct rundir *dir)
{
    char fresh[] = "/tmp/edgerow-rehearsal-XXXXXX", *made;
    if (dir->options->out[0] == '\0')
        made = mkdtemp(fresh);
    else if (mkdir(dir->options->out, 0755) == 0)
        made = realpath(dir->options->out, NULL);
    else
        made = NULL;
    if (made == NULL) {
        int error = errno;
        fprintf(stderr, "edgerow-rehearse: --out %s: %s%s\n", dir->options->out, strerror(error),
                error == EEXIST ? ": name a new folder, or remove that one." : "");
        return -error;
    }
    size_t len = strlen(made);
    snprintf(dir->path, sizeof dir->path, "%s", made);
    if (made != fresh)
        free(made);
    if (len + LONGEST_NAME <= SOCKET_PATH_MAX)
        return 0;
    fprintf(stderr,
            "edgerow-rehearse: --out %s: too long for the sockets in it: use a path of at most %d "
            "characters.\n",
            dir->path, SOCKET_PATH_MAX - LONGEST_NAME);
    return -ENAMETOOLONG;
}

int rundir_make(struct rundir *dir, const struct options *options, const struct place *place)
{
    static const char *const folders[] = {"site", "broker", "collector", "mailbox", "logs"};
    *dir = (struct rundir){.options = options, .place = place};
    int result = make_root(dir);
    for (size_t i = 0; result == 0 && i < sizeof folders / sizeof folders[0]; i++)
        result = make_folder(dir, folders[i]);
    for (size_t g = 0; result == 0 && g < place->gateway_count; g++)
        result = make_folder(dir, place->gateways[g].name);
    return result;
}

static FILE *begin(const struct rundir *dir, char path[RUNDIR_PATH_MAX])
{
    FILE *file = fopen(path, "we");
    if (file == NULL)
        fprintf(stderr, "edgerow-rehearse: %s: %s\n", path, strerror(errno));
    (void)dir;
    return file;
}

static int finish(FILE *file)
{
    bool good = ferror(file) == 0;
    return fclose(file) == 0 && good ? 0 : -EIO;
}

/* A stop may last longer than the broker waits for a sign of life. */
static int keepalive_s(const struct rundir *dir)
{
    return (dir->options->blow_kinds & 1u << BLOW_STOP) != 0 ? 5 : 60;
}

/* The broker's defaults drop messages past 1,000 queued and hold small bursts for 40 ms. */
static int write_broker(const struct rundir *dir)
{
    char path[RUNDIR_PATH_MAX];
    rundir_path(dir, path, "broker/mosquitto.conf");
    FILE *file = begin(dir, path);
    if (file == NULL)
        return -EIO;
    /* So that one that is killed comes back with an older state, and not without any. */
    if ((dir->options->blow_kinds & 1u << BLOW_EMPTIED) != 0)
        fputs("autosave_on_changes true\nautosave_interval 1\n", file);
    fprintf(file,
            "listener %d 127.0.0.1\n"
            "allow_anonymous true\n"
            "persistence true\n"
            "persistence_location %s/broker/\n"
            "max_queued_messages 20000\n"
            "max_inflight_messages 2000\n"
            "set_tcp_nodelay true\n"
            "log_dest stderr\n"
            "log_type error\n"
            "log_type warning\n"
            "%s",
            dir->broker_port, dir->path, geteuid() == 0 ? "user root\n" : "");
    return finish(file);
}

static int write_gateway(const struct rundir *dir, size_t g)
{
    const struct place_gateway *gateway = &dir->place->gateways[g];
    char path[RUNDIR_PATH_MAX];
    rundir_path(dir, path, "%s/keys.csv", gateway->name);
    if (place_write_keys(dir->place, path) != 0)
        return -EIO;
    rundir_path(dir, path, "%s/gateway.ini", gateway->name);
    FILE *file = begin(dir, path);
    if (file == NULL)
        return -EIO;
    fprintf(
        file,
        "[gateway]\nname = %s\nsite = %s\n\n"
        "[broker]\nhost = 127.0.0.1\nport = %d\nkeepalive_s = %d\n\n"
        "[spool]\npath = %s/%s/spool.db\nsize_mib = 64\nhistory_days = 2\nwindow = 4000\n\n"
        "[keys]\nfile = %s/%s/keys.csv\n\n"
        "[collectors]\nnames = main\n\n"
        "[rehearsal]\nclock = %s/%s.clock\n\n"
        "[radio.0]\ndriver = simulated\nsocket = %s/%s.air\nfrequency_hz = %u\nbandwidth_hz = %u\n"
        "spreading_factor = %u\n",
        gateway->name, dir->place->name, dir->gateway_port[g], keepalive_s(dir), dir->path,
        gateway->name, dir->path, gateway->name, dir->path, gateway->name, dir->path, gateway->name,
        gateway->channel.frequency_hz, gateway->channel.bandwidth_hz,
        gateway->channel.spreading_factor);
    return finish(file);
}

/* From the site's own file, what says how to judge and when to write. */
static void copy_judgement(FILE *file, const char *folder)
{
    static const char *const kept[] = {"[bait]", "[silence]", "[notices]"};
    char path[RUNDIR_PATH_MAX], line[512];
    snprintf(path, sizeof path, "%s/site.ini", folder);
    FILE *own = fopen(path, "re");
    bool copy = false;
    while (own != NULL && fgets(line, sizeof line, own) != NULL) {
        if (line[0] == '[') {
            copy = false;
            for (size_t i = 0; i < sizeof kept / sizeof kept[0]; i++)
                copy |= strncmp(line, kept[i], strlen(kept[i])) == 0;
        }
        if (copy)
            fputs(line, file);
    }
    if (own != NULL)
        fclose(own);
    fputc('\n', file);
}

static int write_site(const struct rundir *dir)
{
    const struct place *place = dir->place;
    char path[RUNDIR_PATH_MAX];
    rundir_path(dir, path, "site/site.ini");
    FILE *file = begin(dir, path);
    if (file == NULL)
        return -EIO;
    fprintf(
        file,
        "[site]\nname = %s\ntitle = %s\ntime_zone = %s\ncollector = main\nlatitude = "
        "%.4f\nlongitude = %.4f\n\n"
        "[store]\npath = %s/collector/store.db\nentered = %s/collector/entered.db\n\n"
        "[broker]\nhost = 127.0.0.1\nport = %d\nkeepalive_s = %d\n\n"
        "[rehearsal]\nclock = %s/collector.clock\n\n"
        "[mail.0]\nname = manager\nto = manager@vineyard.example\nfrom = edgerow@vineyard.example\n"
        "server = 127.0.0.1\nport = %d\nsecurity = none\n\n",
        place->name, place->title, place->time_zone, place->latitude, place->longitude, dir->path,
        dir->path, dir->broker_port, keepalive_s(dir), dir->path, dir->mail_port);
    /* With long steps the gateways' signs of life come in lumps. */
    if (dir->options->site == NULL && dir->options->step_min > 15)
        fprintf(file, "[silence]\ngateway_minutes = %u\n\n", 3 * dir->options->step_min);
    if (dir->options->site != NULL)
        copy_judgement(file, dir->options->site);
    return finish(file);
}

int rundir_write(const struct rundir *dir)
{
    char path[RUNDIR_PATH_MAX];
    int result = write_broker(dir);
    for (size_t g = 0; result == 0 && g < dir->place->gateway_count; g++)
        result = write_gateway(dir, g);
    if (result == 0)
        result = write_site(dir);
    rundir_path(dir, path, "site/stations.csv");
    if (result == 0)
        result = place_write_stations(dir->place, dir->faults, path);
    rundir_path(dir, path, "site/blocks.geojson");
    if (result == 0)
        result = place_write_blocks(dir->place, path);
    return result;
}
