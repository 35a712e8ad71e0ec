#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "collector/cli/check.h"
#include "collector/cli/rights.h"
#include "gateway/verify/keyfile.h"

enum { NAMED_MAX = 5 }; /* units named in one sentence */

static void check_keys(struct check *check, const struct rights *rights)
{
    struct settings_fault fault;
    const char *path = check->gateway.keys.file;
    unsigned errors = check->findings.count[FINDING_ERROR];
    unsigned warnings = check->findings.count[FINDING_WARNING];
    rights_check_secret(rights, &check->findings, path);
    if (check->findings.count[FINDING_ERROR] != errors ||
        check->findings.count[FINDING_WARNING] != warnings)
        return;
    if (keyfile_read(path, &check->keys, &fault) != 0) {
        check->keys = NULL;
        findings_add(&check->findings, FINDING_ERROR, "%s", fault.text);
        return;
    }
    findings_add(&check->findings, FINDING_FINE, "%s: keys of %zu units.", path,
                 verify_table_count(check->keys));
}

void check_gateway(struct check *check)
{
    struct settings_fault fault;
    struct rights rights;
    rights_take(&rights, CHECK_GATEWAY_USER);
    if (gateway_settings_read(check->gateway_path, &check->gateway, &fault) != 0) {
        findings_add(&check->findings, FINDING_ERROR, "%s", fault.text);
        rights_return(&rights);
        return;
    }
    check->has_gateway = true;
    findings_add(&check->findings, FINDING_FINE, "%s: gateway %s of site %s, %u radio%s.",
                 check->gateway_path, check->gateway.gateway.name, check->gateway.gateway.site,
                 check->gateway.radio_count, check->gateway.radio_count == 1 ? "" : "s");
    check_keys(check, &rights);
    const struct session_settings *broker = &check->gateway.broker;
    if (broker->password_file[0] != '\0')
        rights_check_secret(&rights, &check->findings, broker->password_file);
    if (broker->ca_file[0] != '\0')
        rights_check_readable(&rights, &check->findings, "the broker's certificates",
                              broker->ca_file);
    rights_check_writable(&rights, &check->findings, "the spool", check->gateway.spool.path,
                          check->gateway.spool.size_mib);
    check_radios(check);
    rights_return(&rights);
}

/* ---- what must agree ---- */

static void check_names(struct check *check)
{
    const char *site = check->site.site, *collector = check->site.collector;
    const struct gateway_collectors *listed = &check->gateway.collectors;
    bool found = false;
    if (strcmp(site, check->gateway.gateway.site) != 0)
        findings_add(&check->findings, FINDING_ERROR,
                     "%s: [gateway] site = %s, but %s has [site] name = %s: they must be the same.",
                     check->gateway_path, check->gateway.gateway.site, check->site_path, site);
    for (unsigned i = 0; i < listed->count; i++)
        found = found || strcmp(listed->name[i], collector) == 0;
    if (!found)
        findings_add(&check->findings, FINDING_ERROR,
                     "%s: [collectors] names = %s does not name the collector %s of %s: rows would "
                     "leave the gateway before that one has stored them; add it.",
                     check->gateway_path, listed->names, collector, check->site_path);
}

struct few {
    char text[NAMED_MAX * 10 + 8];
    unsigned count;
};

static void few_add(struct few *few, uint32_t devaddr)
{
    size_t len = strlen(few->text);
    if (few->count < NAMED_MAX)
        snprintf(few->text + len, sizeof few->text - len, "%s%08" PRIx32, few->count ? " " : "",
                 devaddr);
    else if (few->count == NAMED_MAX)
        snprintf(few->text + len, sizeof few->text - len, " ...");
    few->count++;
}

static void check_units(struct check *check)
{
    struct few without_keys = {0}, without_trap = {0};
    for (size_t i = 0; i < check->roster->assignment_count; i++) {
        const struct roster_assignment *a = &check->roster->assignments[i];
        if (a->from_s <= check->now_s && check->now_s < a->to_s &&
            !verify_table_find(check->keys, a->devaddr))
            few_add(&without_keys, a->devaddr);
    }
    for (size_t i = 0; i < verify_table_count(check->keys); i++) {
        uint32_t devaddr = verify_table_at(check->keys, i)->devaddr;
        if (!roster_knows_unit(check->roster, devaddr))
            few_add(&without_trap, devaddr);
    }
    if (without_keys.count > 0)
        findings_add(&check->findings, FINDING_ERROR,
                     "%s: %u units of %s have no keys here, so this gateway cannot hear them: %s.",
                     check->gateway.keys.file, without_keys.count, check->site.stations,
                     without_keys.text);
    if (without_trap.count > 0)
        findings_add(&check->findings, FINDING_WARNING,
                     "%s: %u units with keys are on no trap, so what they say is kept aside: %s; "
                     "add their lines, or leave their keys out.",
                     check->site.stations, without_trap.count, without_trap.text);
}

void check_both(struct check *check)
{
    if (check->has_site && check->has_gateway)
        check_names(check);
    if (check->roster && check->keys)
        check_units(check);
}
