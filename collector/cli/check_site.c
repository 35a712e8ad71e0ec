#include <errno.h>
#include <math.h>
#include <string.h>

#include "collector/cli/check.h"
#include "collector/cli/rights.h"
#include "collector/store/store.h"

enum {
    FAR_KM = 50,
    SEASON_DAYS = 200,
    REPORTS_A_DAY = 97,  /* at 15 minutes, and a daily one */
    BYTES_A_REPORT = 200 /* in the store, hourly and daily rows shared out; measured */
};

static void warn(struct check *check, const char *sentence)
{
    findings_add(&check->findings, FINDING_WARNING, "%s: %s", check->site_path, sentence);
}

static void check_mail(struct check *check, const struct rights *rights, unsigned number)
{
    const struct site_mail *mail = &check->site.mails[number];
    if (mail->password_file[0] != '\0')
        rights_check_secret(rights, &check->findings, mail->password_file);
    if (mail->ca_file[0] != '\0')
        rights_check_readable(rights, &check->findings, "the mail server's certificates",
                              mail->ca_file);
    if (mail->user[0] != '\0' && mail->security == SITE_MAIL_PLAIN)
        findings_add(&check->findings, FINDING_WARNING,
                     "%s: the mail delivery \"%s\" sends its password in the clear: set security = "
                     "starttls or tls.",
                     check->site_path, mail->name);
}

static bool is_this_machine(const char *host)
{
    return strcmp(host, "localhost") == 0 || strncmp(host, "127.", 4) == 0 ||
           strcmp(host, "::1") == 0;
}

static void check_broker(struct check *check, const struct rights *rights, const char *path,
                         const struct session_settings *broker)
{
    if (broker->password_file[0] != '\0')
        rights_check_secret(rights, &check->findings, broker->password_file);
    if (broker->ca_file[0] != '\0')
        rights_check_readable(rights, &check->findings, "the broker's certificates",
                              broker->ca_file);
    else if (!is_this_machine(broker->host))
        findings_add(
            &check->findings, FINDING_WARNING,
            "%s: [broker] host = %s is another machine and ca_file is empty, so everything "
            "goes there in the clear: set ca_file.",
            path, broker->host);
}

static void check_store(struct check *check, const struct rights *rights)
{
    struct settings_fault fault;
    sqlite3 *db;
    size_t stations = check_station_count(check);
    long long season_mib = (long long)stations * REPORTS_A_DAY * SEASON_DAYS * BYTES_A_REPORT >> 20;
    rights_check_writable(rights, &check->findings, "the store", check->site.store, season_mib);
    rights_check_writable(rights, &check->findings, "what people entered", check->site.entered, 0);
    int error = store_open_readonly(check->site.store, &db, &fault);
    if (error == 0)
        sqlite3_close(db);
    else if (error != -ENOENT && error != -EACCES)
        findings_add(&check->findings, FINDING_ERROR, "%s", fault.text);
}

/* Degrees are enough here: a sign or an order gone wrong is hundreds of kilometres. */
static double distance_km(const struct check *check, const double position[2])
{
    double north = (position[1] - check->site.latitude) * 111;
    double east = (position[0] - check->site.longitude) * 111 * cos(check->site.latitude / 57.3);
    return hypot(north, east);
}

static void check_place(struct check *check)
{
    for (size_t i = 0; i < check->roster->block_count; i++) {
        const struct roster_block *block = &check->roster->blocks[i];
        double km = distance_km(check, block->ring[0]);
        if (km > FAR_KM) {
            findings_add(&check->findings, FINDING_WARNING,
                         "%s: [site] latitude = %g, longitude = %g is %.0f km from block %s in %s: "
                         "sun times and evaporation would be wrong; look at order and signs.",
                         check->site_path, check->site.latitude, check->site.longitude, km,
                         block->name, check->site.blocks);
            return;
        }
    }
}

static void check_roster(struct check *check)
{
    struct roster_fault fault;
    int error = roster_read(check->site.stations, check->site.blocks, check->site.time_zone,
                            &check->roster, &fault);
    if (error != 0) {
        check->roster = NULL;
        findings_add(&check->findings, FINDING_ERROR, "%s", fault.text);
        return;
    }
    findings_add(&check->findings, FINDING_FINE, "%s, %s: %zu stations in %zu blocks now.",
                 check->site.stations, check->site.blocks, check_station_count(check),
                 check->roster->block_count);
    check_place(check);
}

size_t check_station_count(const struct check *check)
{
    size_t count = 0;
    for (size_t i = 0; check->roster && i < check->roster->assignment_count; i++) {
        const struct roster_assignment *a = &check->roster->assignments[i];
        count += a->from_s <= check->now_s && check->now_s < a->to_s;
    }
    return count;
}

void check_site(struct check *check)
{
    struct settings_fault fault;
    struct rights rights;
    rights_take(&rights, CHECK_COLLECTOR_USER);
    if (site_read(check->site_path, &check->site, &fault) != 0) {
        findings_add(&check->findings, FINDING_ERROR, "%s", fault.text);
        rights_return(&rights);
        return;
    }
    check->has_site = true;
    findings_add(&check->findings, FINDING_FINE, "%s: site %s, collector %s, time zone %s.",
                 check->site_path, check->site.site, check->site.collector, check->site.time_zone);
    check_roster(check);
    check_broker(check, &rights, check->site_path, &check->site.broker);
    if (check->site.mail_count == 0)
        warn(check, "there is no [mail.0], so nobody is told anything by e-mail.");
    for (unsigned i = 0; i < check->site.mail_count; i++)
        check_mail(check, &rights, i);
    check_store(check, &rights);
    rights_return(&rights);
}
