#include "tests/unit/feed/samples.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SPOOL "5f0c1e9a77b3d204"
#define STORE "c0ffee0012345678"
#define RUN   "7d3a90c1e2f4b586"
#define BOOT  "8d1f0a6b5c4e3d2f"
#define HASH  "0b1c2d3e4f5061728394a5b6c7d8e9fa"
/* 2026-08-01T06:15:02.123Z */
#define MORNING_MS INT64_C(1785564902123)
#define DAY_MS     INT64_C(86400000)

static void row(struct feed_row *row, enum feed_row_kind kind)
{
    *row = (struct feed_row){.spool = SPOOL, .n = 4711, .oldest = 4200, .hash = HASH, .kind = kind};
}

static void frame(struct feed_row *r)
{
    row(r, FEED_ROW_FRAME);
    r->frame = (struct feed_frame){.devaddr = 0x00A1B2C3,
                                   .key_check = 0x9E107D9D,
                                   .fcnt = 70012,
                                   .fport = 10,
                                   .heard_ms = MORNING_MS,
                                   .synchronised = true,
                                   .boot = BOOT,
                                   .boot_ms = 86461007,
                                   .radio = 0,
                                   .frequency_hz = 915900000,
                                   .bandwidth_hz = 500000,
                                   .spreading_factor = 7,
                                   .rssi_cdbm = -10425,
                                   .snr_cdb = -350};
}

/* The payload is the report's own bytes, so that an integrator can compare both. */
static void add_report(struct feed_frame *f, const struct air_report *report)
{
    size_t len;
    if (air_report_encode(report, f->payload, &len) != AIR_OK ||
        air_report_decode(f->payload, len, &f->report) != AIR_OK)
        abort();
    f->payload_len = (uint8_t)len;
    f->has_report = true;
}

static const struct air_report regular = {
    .kind = AIR_REGULAR,
    .epoch = 3,
    .entries = 1284,
    .exits = 97,
    .short_passes = 412,
    .blocked_2s = 31,
    .level_qmm = 245,
    .tick = 17,
    .age_256 = 9,
    .interval_min = 15,
    .flags = 0,
    .service_sequence = 2,
    .order_sequence = 1,
    .order_answer = AIR_ANSWER_DONE,
    .temperature_dc = 185,
    .humidity_pm = 640,
    .battery_mv = 3280,
    .recent_count = 7,
    .recent = {4, 2, 0, AIR_RECENT_SATURATED, AIR_RECENT_UNKNOWN, 1, 0}};

static void row_regular(union message_value *v)
{
    frame(&v->row);
    add_report(&v->row.frame, &regular);
}

static void row_daily(union message_value *v)
{
    struct air_report report = {.kind = AIR_DAILY,
                                .epoch = 3,
                                .entries = 1301,
                                .exits = 99,
                                .short_passes = 65958,
                                .blocked_2s = 70000,
                                .level_qmm = 244,
                                .tick = 18,
                                .age_256 = 255,
                                .interval_min = 15,
                                .flags = AIR_FLAG_SERVICE | AIR_FLAG_RESTART,
                                .service_sequence = 3,
                                .order_sequence = 1,
                                .order_answer = AIR_ANSWER_NONE,
                                .full_mark_mm = 80,
                                .low_mark_mm = 35,
                                .firmware_major = 1,
                                .firmware_minor = 4,
                                .restarts = 6};
    frame(&v->row);
    v->row.n++;
    v->row.frame.fcnt++;
    v->row.frame.confirmed = true;
    add_report(&v->row.frame, &report);
}

static void row_unknowns(union message_value *v)
{
    struct air_report report = regular;
    report.level_qmm = AIR_LEVEL_UNKNOWN;
    report.temperature_dc = AIR_TEMPERATURE_UNKNOWN;
    report.humidity_pm = AIR_HUMIDITY_UNKNOWN;
    report.battery_mv = AIR_BATTERY_UNKNOWN;
    report.recent_count = 0;
    report.flags = AIR_FLAG_TILT | AIR_FLAG_LEVEL_FAULT | AIR_FLAG_COUNTER_FAULT;
    frame(&v->row);
    v->row.frame.synchronised = false;
    v->row.frame.heard_ms = 12345;
    add_report(&v->row.frame, &report);
}

/* A verified frame whose payload this gateway cannot read: nothing is lost, the collector decides.
 */
static void row_unread(union message_value *v)
{
    frame(&v->row);
    v->row.frame.fport = -1;
    v->row.frame.payload_len = 0;
}

static void row_clock(union message_value *v)
{
    row(&v->row, FEED_ROW_CLOCK);
    v->row.clock = (struct feed_clock){.boot = BOOT, .offset_ms = INT64_C(1785478449773)};
}

static void row_loss(union message_value *v)
{
    row(&v->row, FEED_ROW_LOSS);
    v->row.loss =
        (struct feed_loss){.first = 4201, .last = 4460, .count = 198, .why = "spool full"};
}

static void mark(union message_value *v)
{
    v->mark = (struct feed_mark){.store = STORE, .spool = SPOOL, .n = 4711, .hash = HASH};
}

static void mark_nothing(union message_value *v)
{
    v->mark = (struct feed_mark){
        .store = STORE, .spool = SPOOL, .n = 0, .hash = "00000000000000000000000000000000"};
}

static void lease(union message_value *v)
{
    v->lease = (struct feed_lease){.devaddr = 0x00A1B2C3,
                                   .key_check = 0x9E107D9D,
                                   .term = 9,
                                   .gateway = "barn",
                                   .run = RUN,
                                   .first = 128,
                                   .count = 64,
                                   .until_ms = MORNING_MS + 7200000};
}

static void lease_ended(union message_value *v)
{
    lease(v);
    v->lease.term = 10;
    v->lease.gateway[0] = '\0';
    memset(v->lease.run, '0', sizeof v->lease.run - 1);
    v->lease.count = 0;
}

static void held(union message_value *v)
{
    v->held = (struct feed_held){.devaddr = 0x00A1B2C3,
                                 .key_check = 0x9E107D9D,
                                 .at_ms = MORNING_MS,
                                 .term = 9,
                                 .speaking = true,
                                 .next = 192,
                                 .left = 61,
                                 .order = 17,
                                 .order_sent = 2};
}

/* Every counter is gone: the unit needs new keys. */
static void held_all_gone(union message_value *v)
{
    held(v);
    v->held = (struct feed_held){.devaddr = 0x00A1B2C3,
                                 .key_check = 0x9E107D9D,
                                 .at_ms = MORNING_MS,
                                 .next = INT64_C(4294967296)};
}

static void order_interval(union message_value *v)
{
    v->order = (struct feed_order){
        .devaddr = 0x00A1B2C3,
        .number = 17,
        .until_ms = MORNING_MS + 3 * DAY_MS,
        .order = {.kind = AIR_ORDER_INTERVAL, .sequence = 2, .interval_min = 30}};
}

static void order_marks(union message_value *v)
{
    order_interval(v);
    v->order.order = (struct air_order){
        .kind = AIR_ORDER_MARKS, .sequence = 3, .full_mark_mm = 90, .low_mark_mm = 0};
}

static void order_channel(union message_value *v)
{
    order_interval(v);
    v->order.order = (struct air_order){.kind = AIR_ORDER_CHANNEL,
                                        .frequency_hz = 868300000,
                                        .bandwidth_hz = 125000,
                                        .spreading_factor = 9};
}

static void order_power(union message_value *v)
{
    order_interval(v);
    v->order.order = (struct air_order){.kind = AIR_ORDER_POWER, .sequence = 1, .power_dbm = -2};
}

static void order_diagnostics(union message_value *v)
{
    order_interval(v);
    v->order.order = (struct air_order){.kind = AIR_ORDER_DIAGNOSTICS};
}

static void presence_online(union message_value *v)
{
    v->presence = (struct feed_presence){
        .online = true, .software = "0.1.0", .since_ms = MORNING_MS - 86461007};
}

static void presence_will(union message_value *v)
{
    v->presence = (struct feed_presence){.online = false, .software = "0.1.0"};
}

static void gateway_health(union message_value *v)
{
    v->gateway_health = (struct feed_gateway_health){
        .at_ms = MORNING_MS,
        .synchronised = true,
        .run = RUN,
        .accepted = 28411,
        .repeated = 12,
        .replayed = 1,
        .restarted = 2,
        .forged = 3,
        .unknown = 540,
        .unusable = 77,
        .spool = SPOOL,
        .last_n = 4711,
        .oldest_n = 4200,
        .marked_n = 4698,
        .thinned = 12,
        .waiting = 5,
        .marks_refused = 1,
        .marks_ignored = 2,
        .spool_bytes = 1179648,
        .disk_free_bytes = INT64_C(11811160064),
        .trouble = "disk full",
        .stations = 297,
        .radio_count = 2,
        .radios = {{.working = true,
                    .frames = 29046,
                    .crc_errors = 1022,
                    .header_errors = 4,
                    .answers = true,
                    .sent = 311,
                    .sent_late = 2,
                    .overrun = 1,
                    .without_crc = 5,
                    .duty_ms = 1480,
                    .duty_most_ms = 36000,
                    .window_s = 21600,
                    .heard = 7012,
                    .missed = 188,
                    .load_ppm = 12345,
                    .loss_ppm = 26111,
                    .expected_loss_ppm = 24000},
                   {.working = false,
                    .restarts = 9,
                    .deaf_ms = 64000,
                    .duty_most_ms = -1,
                    .load_ppm = -1,
                    .loss_ppm = -1,
                    .expected_loss_ppm = -1,
                    .trouble = "does not answer: check its wiring and supply"}}};
}

static void gateway_health_bare(union message_value *v)
{
    v->gateway_health =
        (struct feed_gateway_health){.at_ms = MORNING_MS, .run = RUN, .spool = SPOOL};
}

static void collector_health(union message_value *v)
{
    v->collector_health = (struct feed_collector_health){.at_ms = MORNING_MS,
                                                         .store = STORE,
                                                         .rows = 56822,
                                                         .reports = 28411,
                                                         .repeats = 28405,
                                                         .quarantined = 3,
                                                         .conflicts = 0,
                                                         .ignored = 3,
                                                         .traps = 300,
                                                         .traps_due = 14,
                                                         .stations_silent = 2,
                                                         .notices_open = 3,
                                                         .deliveries_waiting = 1,
                                                         .store_bytes = 48234496,
                                                         .disk_free_bytes = INT64_C(104152956928)};
}

static void trap_due(union message_value *v)
{
    v->trap_state = (struct feed_trap_state){.at_ms = MORNING_MS,
                                             .trap = "N-012",
                                             .block = "north",
                                             .devaddr = 0x00A1B2C3,
                                             .condition = FEED_TRAP_DUE,
                                             .reason = FEED_REASON_LOW_LEVEL,
                                             .visit_by_ms = MORNING_MS + 2 * DAY_MS,
                                             .visit_from_ms = MORNING_MS + DAY_MS,
                                             .visit_until_ms = MORNING_MS + 4 * DAY_MS,
                                             .last_heard_ms = MORNING_MS - 61000,
                                             .last_visit_ms = MORNING_MS - 4 * DAY_MS,
                                             .level_mm = 41.25,
                                             .bait_age_days = 4,
                                             .battery_v = 3.28,
                                             .temperature_c = 18.5,
                                             .passes_since_emptied = 163,
                                             .passes_today = 2,
                                             .passes_yesterday = 57,
                                             .doubtful_hours = 6};
}

static void trap_new(union message_value *v)
{
    v->trap_state = (struct feed_trap_state){.at_ms = MORNING_MS,
                                             .trap = "S-001",
                                             .block = "south",
                                             .condition = FEED_TRAP_NEW,
                                             .level_mm = NAN,
                                             .bait_age_days = NAN,
                                             .battery_v = NAN,
                                             .temperature_c = NAN,
                                             .passes_since_emptied = -1,
                                             .passes_today = -1,
                                             .passes_yesterday = -1,
                                             .doubtful_hours = -1};
}

static void block(union message_value *v)
{
    v->block_state = (struct feed_block_state){.at_ms = MORNING_MS,
                                               .block = "north",
                                               .title = "North slope, Gew\xc3\xbcrztraminer",
                                               .traps = 40,
                                               .traps_working = 35,
                                               .traps_due = 3,
                                               .traps_failed = 1,
                                               .traps_silent = 1,
                                               .passes_today = 31,
                                               .passes_yesterday = 1604,
                                               .passes_week = 9876,
                                               .passes_per_trap_day = 41.13,
                                               .days_counted = 39,
                                               .days_guarding = 37.5,
                                               .week_calibrated = true,
                                               .week_days_counted = 274.25,
                                               .week_per_trap_day = 28.5,
                                               .week_low = 22.25,
                                               .week_high = 36.5,
                                               .week_per_100m_day = 187,
                                               .week_change = FEED_CHANGE_UP,
                                               .week_ratio = 1.75,
                                               .week_ratio_low = 1.5,
                                               .week_ratio_high = 2.04,
                                               .leading_side = "east",
                                               .hot_from = "N-012",
                                               .hot_to = "N-019"};
}

static void block_new(union message_value *v)
{
    v->block_state = (struct feed_block_state){.at_ms = MORNING_MS,
                                               .block = "south",
                                               .title = "South field",
                                               .passes_today = -1,
                                               .passes_yesterday = -1,
                                               .passes_week = -1,
                                               .passes_per_trap_day = NAN,
                                               .days_counted = NAN,
                                               .days_guarding = NAN,
                                               .week_days_counted = NAN,
                                               .week_per_trap_day = NAN,
                                               .week_low = NAN,
                                               .week_high = NAN,
                                               .week_per_100m_day = NAN,
                                               .week_ratio = NAN,
                                               .week_ratio_low = NAN,
                                               .week_ratio_high = NAN};
}

static void notice_visit(union message_value *v)
{
    v->notice_state = (struct feed_notice_state){
        .notice = "n-000123",
        .revision = 2,
        .kind = FEED_NOTICE_VISIT,
        .subject = "north",
        .urgent = false,
        .open = true,
        .opened_ms = MORNING_MS - DAY_MS,
        .changed_ms = MORNING_MS,
        .title = "Block \"North slope\": 3 traps to visit",
        .text = "N-012 low level, 41 mm, visit by 3 August.\n"
                "N-019 bait age, 8 days.\n"
                "N-020 low level, 36 mm, visit by 2 August.\n\n"
                "Stings can be dangerous. Wear gloves, go in the cool hours, do not go alone.\n"};
}

static void notice_closed(union message_value *v)
{
    v->notice_state = (struct feed_notice_state){.notice = "n-000098",
                                                 .revision = 1,
                                                 .kind = FEED_NOTICE_SILENT_GATEWAY,
                                                 .subject = "barn",
                                                 .urgent = true,
                                                 .open = false,
                                                 .opened_ms = MORNING_MS - 2 * DAY_MS,
                                                 .changed_ms = MORNING_MS,
                                                 .title = "Gateway barn is heard again",
                                                 .text = "It was silent for 26 hours.\n"};
}

const struct sample samples[] = {
    {"row-regular", "row", row_regular},
    {"row-daily", "row", row_daily},
    {"row-unknowns", "row", row_unknowns},
    {"row-unread", "row", row_unread},
    {"row-clock", "row", row_clock},
    {"row-loss", "row", row_loss},
    {"mark", "mark", mark},
    {"mark-nothing", "mark", mark_nothing},
    {"lease", "lease", lease},
    {"lease-ended", "lease", lease_ended},
    {"held", "held", held},
    {"held-all-gone", "held", held_all_gone},
    {"order-interval", "order", order_interval},
    {"order-marks", "order", order_marks},
    {"order-channel", "order", order_channel},
    {"order-power", "order", order_power},
    {"order-diagnostics", "order", order_diagnostics},
    {"presence-online", "presence", presence_online},
    {"presence-will", "presence", presence_will},
    {"gateway-health", "gateway-health", gateway_health},
    {"gateway-health-bare", "gateway-health", gateway_health_bare},
    {"collector-health", "collector-health", collector_health},
    {"trap-due", "trap-state", trap_due},
    {"trap-new", "trap-state", trap_new},
    {"block", "block-state", block},
    {"block-new", "block-state", block_new},
    {"notice-visit", "notice-state", notice_visit},
    {"notice-closed", "notice-state", notice_closed},
};
const unsigned sample_count = sizeof samples / sizeof samples[0];
