#include "collector/site.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SITE(f)   offsetof(struct site_settings, f)
#define BROKER(f) offsetof(struct session_settings, f)
#define BAIT(f)   offsetof(struct site_bait, f)
#define MAIL(f)   offsetof(struct site_mail, f)

static const char *const securities[] = {"none", "starttls", "tls", NULL};

static const struct settings_section sections[] = {
    {.name = "site", .present_offset = (size_t)-1},
    {.name = "store", .optional = true, .present_offset = (size_t)-1},
    {.name = "broker", .offset = SITE(broker), .optional = true, .present_offset = (size_t)-1},
    {.name = "bait", .offset = SITE(bait), .optional = true, .present_offset = (size_t)-1},
    {.name = "catch", .optional = true, .present_offset = (size_t)-1},
    {.name = "silence", .optional = true, .present_offset = (size_t)-1},
    {.name = "notices", .optional = true, .present_offset = (size_t)-1},
    {.name = "rehearsal", .optional = true, .present_offset = (size_t)-1},
    {.name = "mail.*",
     .offset = SITE(mails),
     .size = sizeof(struct site_mail),
     .most = SITE_MAILS_MAX,
     .count_offset = SITE(mail_count),
     .optional = true,
     .present_offset = (size_t)-1},
};

static const struct settings_key keys[] = {
    {"site", "name", SETTINGS_NAME, SITE(site), 0, 0, NULL, NULL,
     "Name of the site in topics, the same in all its gateways and collectors."},
    {"site", "title", SETTINGS_TEXT, SITE(title), 0, 60, "", NULL,
     "What people call the site; empty: its name."},
    {"site", "time_zone", SETTINGS_TEXT, SITE(time_zone), 1, 64, NULL, NULL,
     "Time zone by its IANA name, for instance Europe/Rome: days and messages follow it."},
    {"site", "collector", SETTINGS_NAME, SITE(collector), 0, 0, "main", NULL,
     "Name of this collector; every gateway lists it under [collectors]."},
    {"site", "stations", SETTINGS_PATH, SITE(stations), 0, 0, "stations.csv", NULL,
     "File that says which unit serves which trap in which block."},
    {"site", "blocks", SETTINGS_PATH, SITE(blocks), 0, 0, "blocks.geojson", NULL,
     "File with the boundaries of the blocks."},
    {"site", "latitude", SETTINGS_NUMBER, SITE(latitude), -66, 66, NULL, NULL,
     "Latitude of the site in degrees, north positive: for sun and evaporation."},
    {"site", "longitude", SETTINGS_NUMBER, SITE(longitude), -180, 180, NULL, NULL,
     "Longitude of the site in degrees, east positive."},

    {"store", "path", SETTINGS_PATH, SITE(store), 0, 0, "/var/lib/edgerow/collector/store.db", NULL,
     "The collector's database."},
    {"store", "entered", SETTINGS_PATH, SITE(entered), 0, 0,
     "/var/lib/edgerow/collector/entered.db", NULL,
     "A second file that keeps what people entered; best on another disk."},

    {"store", "keep_days", SETTINGS_INTEGER, SITE(keep_days), 60, 3660, "400", NULL,
     "Days for which single reports and hours are kept; the days of traps and blocks are kept for "
     "ever."},

    {"broker", "host", SETTINGS_TEXT, BROKER(host), 1, 253, "localhost", NULL,
     "Host name or address of the MQTT broker."},
    {"broker", "port", SETTINGS_INTEGER, BROKER(port), 1, 65535, "1883", NULL,
     "Port of the MQTT broker; 8883 is usual with TLS."},
    {"broker", "user", SETTINGS_TEXT, BROKER(user), 0, 128, "", NULL,
     "User name at the broker; empty: none."},
    {"broker", "password_file", SETTINGS_PATH, BROKER(password_file), 0, 0, "", NULL,
     "File whose first line is the password; readable by this service alone."},
    {"broker", "ca_file", SETTINGS_PATH, BROKER(ca_file), 0, 0, "", NULL,
     "Certificates that vouch for the broker; given: the connection uses TLS."},
    {"broker", "client_id", SETTINGS_TEXT, BROKER(client_id), 0, 64, "", NULL,
     "Client identifier at the broker; empty: edgerow-collector-SITE-COLLECTOR."},
    {"broker", "keepalive_s", SETTINGS_INTEGER, BROKER(keepalive_s), 5, 3600, "60", NULL,
     "Seconds after which a silent connection is tested."},

    {"bait", "full_mark_mm", SETTINGS_INTEGER, BAIT(full_mark_mm), 2, 250, "90", NULL,
     "Level just below the funnel's tip, in millimetres above the trap's floor; a trap's own mark "
     "in "
     "stations.csv comes first."},
    {"bait", "low_mark_mm", SETTINGS_INTEGER, BAIT(low_mark_mm), 1, 249, "35", NULL,
     "Level below which a trap no longer works, in millimetres."},
    {"bait", "age_days", SETTINGS_INTEGER, BAIT(age_days), 1, 60, "7", NULL,
     "Days after which bait is replaced (a week is common practice, no source)."},
    {"bait", "insects", SETTINGS_INTEGER, BAIT(insects), 5, 10000, "75", NULL,
     "Insects since the trap was emptied at which a raft of dead ones is likely (judgement)."},

    {"catch", "action_level", SETTINGS_NUMBER, SITE(action_level), 0, 10000, "0", NULL,
     "Paper wasps a trap and day above which, on two of three days, a letter asks to look at the "
     "fruit; needs hand counts; 0: never. No published level was found."},

    {"silence", "station_hours", SETTINGS_INTEGER, SITE(silent_hours), 12, 240, "12", NULL,
     "Hours without a report after which a station may be called silent."},
    {"silence", "gateway_minutes", SETTINGS_INTEGER, SITE(gateway_silent_min), 5, 1440, "30", NULL,
     "Minutes without a sign of life after which a gateway is called silent."},

    {"notices", "quiet_from", SETTINGS_CLOCK, SITE(quiet_from_s), 0, 0, "21:00", NULL,
     "From this time of day only urgent messages are sent."},
    {"notices", "quiet_to", SETTINGS_CLOCK, SITE(quiet_to_s), 0, 0, "06:00", NULL,
     "End of the quiet hours; the same as quiet_from: there are none."},
    {"notices", "repeat_hours", SETTINGS_INTEGER, SITE(repeat_hours), 0, 720, "24", NULL,
     "Hours after which a morning letter reminds of an open notice, until somebody acknowledges "
     "it; an "
     "urgent one is sent again at once; 0: never."},
    {"notices", "letter", SETTINGS_CLOCK, SITE(letter_s), 0, 0, "06:00", NULL,
     "Time of day of the morning letter, one message for all blocks."},

    {"rehearsal", "clock", SETTINGS_PATH, SITE(follow), 0, 0, "", NULL,
     "Clock socket of a rehearsal; empty: the machine's clock."},

    {"mail.*", "name", SETTINGS_NAME, MAIL(name), 0, 0, NULL, NULL,
     "Name of this way of reaching somebody, for instance manager."},
    {"mail.*", "to", SETTINGS_TEXT, MAIL(to), 3, 150, NULL, NULL, "Address the messages go to."},
    {"mail.*", "from", SETTINGS_TEXT, MAIL(from), 3, 150, NULL, NULL,
     "Address the messages come from; the mail server must allow it."},
    {"mail.*", "server", SETTINGS_TEXT, MAIL(server), 1, 150, NULL, NULL,
     "Host name or address of the mail server."},
    {"mail.*", "port", SETTINGS_INTEGER, MAIL(port), 1, 65535, "587", NULL,
     "Port of the mail server: 587 with starttls, 465 with tls, 25 without."},
    {"mail.*", "security", SETTINGS_CHOICE, MAIL(security), 0, 0, "starttls", securities,
     "How the connection to the mail server is protected."},
    {"mail.*", "user", SETTINGS_TEXT, MAIL(user), 0, 150, "", NULL,
     "User name at the mail server; empty: none."},
    {"mail.*", "password_file", SETTINGS_PATH, MAIL(password_file), 0, 0, "", NULL,
     "File whose first line is the password; readable by this service alone."},
    {"mail.*", "ca_file", SETTINGS_PATH, MAIL(ca_file), 0, 0, "", NULL,
     "Certificates that vouch for the mail server; empty: those of the system."},
    {"mail.*", "urgent_only", SETTINGS_SWITCH, MAIL(urgent_only), 0, 0, "no", NULL,
     "Only urgent messages go this way."},
    {"mail.*", "fallback", SETTINGS_SWITCH, MAIL(fallback), 0, 0, "no", NULL,
     "Used only for what the section before it could not deliver."},
};

const struct settings_schema site_schema = {sections, sizeof sections / sizeof sections[0], keys,
                                            sizeof keys / sizeof keys[0]};

static int check_marks(const char *path, const struct site_settings *site,
                       struct settings_fault *fault)
{
    if (site->bait.low_mark_mm < site->bait.full_mark_mm)
        return 0;
    settings_fault_set(
        fault,
        "%s: [bait] low_mark_mm = %lld is not below full_mark_mm = %lld: the low mark is "
        "where the trap stops working.",
        path, (long long)site->bait.low_mark_mm, (long long)site->bait.full_mark_mm);
    return -EINVAL;
}

static int check_mails(const char *path, const struct site_settings *site,
                       struct settings_fault *fault)
{
    if (site->mail_count > 0 && site->mails[0].fallback) {
        settings_fault_set(
            fault,
            "%s: [mail.0] fallback = yes, but nothing comes before it: use no, or change "
            "the order of the sections.",
            path);
        return -EINVAL;
    }
    for (unsigned i = 0; i < site->mail_count; i++)
        for (unsigned j = 0; j < i; j++)
            if (strcmp(site->mails[i].name, site->mails[j].name) == 0) {
                settings_fault_set(
                    fault,
                    "%s: [mail.%u] name = %s is also the name of [mail.%u]: give each its "
                    "own.",
                    path, i, site->mails[i].name, j);
                return -EINVAL;
            }
    return 0;
}

/* What is left empty and follows from the rest. */
static int complete(struct site_settings *site)
{
    char *made;
    if (site->title[0] == '\0') {
        made = strdup(site->site);
        if (!made)
            return -ENOMEM;
        free(site->title);
        site->title = made;
    }
    if (site->broker.client_id[0] != '\0')
        return 0;
    if (asprintf(&made, "edgerow-collector-%s-%s", site->site, site->collector) < 0)
        return -ENOMEM;
    free(site->broker.client_id);
    site->broker.client_id = made;
    return 0;
}

int site_read(const char *path, struct site_settings *site, struct settings_fault *fault)
{
    *site = (struct site_settings){0};
    int error = settings_read(path, &site_schema, site, fault);
    if (!error)
        error = check_marks(path, site, fault);
    if (!error)
        error = check_mails(path, site, fault);
    if (!error) {
        error = complete(site);
        if (error)
            settings_fault_set(fault, "%s: not enough memory.", path);
    }
    return error;
}

void site_free(struct site_settings *site)
{
    settings_free(&site_schema, site);
}
