/*
 * The shipped daemon and a real broker: three gateways, played by one client, publish the rows of their spools
 * in a window and forget nothing before the stored mark. Daemon and broker are killed at random. In the end
 * nothing is missing and nothing is counted twice, and the rows are those of a quiet run.
 */
#include <check.h>
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <mosquitto.h>

#include "collector/ingest/ingest.h"
#include "protocol/feed/topic.h"
#include "tests/suite.h"
#include "tests/unit/collector/stored.h"
#include "tests/whole/session/broker.h"

enum { IN_FLIGHT = 100, WINDOW = 150, PATIENCE_MS = 700, NOW_S = 1788000000 };

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

struct player {
    uint64_t n, next; /* the mark, and the next row to publish */
    int64_t moved_ms;
};

struct play {
    struct broker broker;
    struct world world;
    struct mosquitto *client;
    struct player players[WORLD_GATEWAYS];
    pid_t collector;
    uint64_t published;
    unsigned waiting; /* published and not acknowledged by the broker */
    unsigned kills, broker_kills;
};

static void hear_mark(struct mosquitto *client, void *user, const struct mosquitto_message *message)
{
    struct play *play = user;
    struct feed_topic topic;
    struct feed_mark mark;
    struct feed_fault fault;
    (void)client;
    ck_assert_int_eq(feed_topic_parse(message->topic, &topic), 0);
    ck_assert_int_eq(feed_mark_decode(message->payload, (size_t)message->payloadlen, &mark, &fault),
                     0);
    unsigned g = (unsigned)(topic.name[2] - '0');
    struct player *player = &play->players[g];
    const struct world_spool *spool = &play->world.spools[g];
    ck_assert_str_eq(mark.spool, spool->id);
    ck_assert_uint_le(mark.n, spool->count);
    if (mark.n > 0)
        ck_assert_str_eq(mark.hash, spool->rows[mark.n - 1].hash);
    if (mark.n > player->n) {
        player->n = mark.n;
        player->moved_ms = now_ms();
    }
    if (player->next <= mark.n)
        player->next = mark.n + 1;
}

static void count_sent(struct mosquitto *client, void *user, int id)
{
    struct play *play = user;
    (void)client, (void)id;
    play->waiting--;
}

static void subscribe(struct mosquitto *client, void *user, int code)
{
    (void)user;
    if (code == 0)
        mosquitto_subscribe(client, NULL, "edgerow/ridge/stored/+/main", 1);
}

static void write_site(const struct play *play)
{
    char text[1000];
    snprintf(
        text, sizeof text,
        "[site]\nname = ridge\ntime_zone = Europe/Rome\nlatitude = 44.1\nlongitude = 11.1\n"
        "[store]\npath = store.db\nentered = entered.db\n[broker]\nhost = 127.0.0.1\nport = %d\n",
        play->broker.port);
    broker_file(&play->broker, "site.ini", text);
    world_write_roster(&play->world, play->broker.folder);
}

static void start_collector(struct play *play)
{
    char program[4096], config[256], log[256];
    snprintf(program, sizeof program, "%s/bin/edgerow-collector", getenv("EDGEROW_BUILD"));
    snprintf(config, sizeof config, "%s/site.ini", play->broker.folder);
    snprintf(log, sizeof log, "%s/collector.log", play->broker.folder);
    play->collector = fork();
    ck_assert_int_ge(play->collector, 0);
    if (play->collector == 0) {
        if (!freopen(log, "a", stderr))
            _exit(126);
        execl(program, program, "--config", config, (char *)NULL);
        _exit(127);
    }
}

static int stop_collector(struct play *play, int signal)
{
    int status = 0;
    kill(play->collector, signal);
    ck_assert_int_eq(waitpid(play->collector, &status, 0), play->collector);
    return status;
}

static void publish(struct play *play, unsigned g)
{
    struct player *player = &play->players[g];
    const struct world_spool *spool = &play->world.spools[g];
    char text[FEED_MESSAGE_MAX], topic[FEED_TOPIC_MAX];
    size_t len;
    snprintf(topic, sizeof topic, "edgerow/ridge/gateway/%s/row", spool->gateway);
    if (now_ms() - player->moved_ms > PATIENCE_MS) {
        player->next = player->n + 1;
        player->moved_ms = now_ms();
    }
    for (unsigned i = 0; i < 20 && play->waiting < IN_FLIGHT / 3 * (g + 1) &&
                         player->next <= spool->count && player->next <= player->n + WINDOW;
         i++) {
        ck_assert_int_eq(feed_row_encode(&spool->rows[player->next - 1], text, sizeof text, &len),
                         0);
        if (mosquitto_publish(play->client, NULL, topic, (int)len, text, 1, false) !=
            MOSQ_ERR_SUCCESS)
            return;
        player->next++;
        play->published++;
        play->waiting++;
    }
}

static bool finished(const struct play *play)
{
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        if (play->players[g].n < play->world.spools[g].count)
            return false;
    return true;
}

/* After a cut the gateways' client begins anew, and they publish again from their marks. */
static void client_open(struct play *play)
{
    mosquitto_destroy(play->client);
    play->client = mosquitto_new("gateways", true, play);
    mosquitto_message_callback_set(play->client, hear_mark);
    mosquitto_publish_callback_set(play->client, count_sent);
    mosquitto_connect_callback_set(play->client, subscribe);
    mosquitto_max_inflight_messages_set(play->client, IN_FLIGHT);
    mosquitto_int_option(play->client, MOSQ_OPT_TCP_NODELAY, 1);
    ck_assert_int_eq(mosquitto_connect(play->client, "127.0.0.1", play->broker.port, 60), 0);
    play->waiting = 0;
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        play->players[g].next = play->players[g].n + 1;
}

static void look_after_client(struct play *play)
{
    int result = MOSQ_ERR_SUCCESS;
    for (unsigned i = 0; i < 30 && result == MOSQ_ERR_SUCCESS; i++)
        result = mosquitto_loop(play->client, i == 0 ? 5 : 0, 100);
    if (result != MOSQ_ERR_SUCCESS)
        client_open(play);
}

static void run(struct play *play, struct chance *chance, unsigned kills)
{
    int64_t deadline_ms = now_ms() + 100000, next_kill_ms = now_ms() + 800;
    while (!finished(play)) {
        ck_assert_msg(now_ms() < deadline_ms, "not finished: marks %llu %llu %llu",
                      (unsigned long long)play->players[0].n,
                      (unsigned long long)play->players[1].n,
                      (unsigned long long)play->players[2].n);
        for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
            publish(play, g);
        look_after_client(play);
        if (play->kills >= kills || now_ms() < next_kill_ms)
            continue;
        if (chance_of(chance, 0.25)) {
            broker_stop(&play->broker, SIGKILL);
            broker_start(&play->broker);
            play->broker_kills++;
        } else {
            int status = stop_collector(play, SIGKILL);
            ck_assert(WIFSIGNALED(status));
            start_collector(play);
        }
        play->kills++;
        next_kill_ms = now_ms() + 60 + chance_below(chance, 300);
    }
}

static char *quiet_rows(struct play *play)
{
    char path[256], stations[256], blocks[256], text[FEED_MESSAGE_MAX];
    struct zone *zone = NULL;
    struct roster *roster = NULL;
    struct store *store = NULL;
    struct ingest *ingest = NULL;
    struct roster_fault roster_fault;
    struct settings_fault fault;
    struct ingest_events events = {0};
    snprintf(path, sizeof path, "%s/quiet.db", play->broker.folder);
    snprintf(stations, sizeof stations, "%s/stations.csv", play->broker.folder);
    snprintf(blocks, sizeof blocks, "%s/blocks.geojson", play->broker.folder);
    ck_assert_int_eq(zone_open("Europe/Rome", &zone), 0);
    ck_assert_int_eq(roster_read_in(stations, blocks, zone, &roster, &roster_fault), 0);
    ck_assert_int_eq(store_open(&store, path, zone, roster, NOW_S, &fault), 0);
    ck_assert_int_eq(ingest_open(&ingest, store, roster, &events), 0);
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        for (size_t i = 0; i < play->world.spools[g].count; i++) {
            size_t len;
            feed_row_encode(&play->world.spools[g].rows[i], text, sizeof text, &len);
            ck_assert_int_eq(ingest_take(ingest, play->world.spools[g].gateway, text, len, NOW_S),
                             0);
            if (i % 1000 == 999 || i + 1 == play->world.spools[g].count)
                ck_assert_int_eq(ingest_finish(ingest, 1), 0);
        }
    stored_expect_conserved(store_db(store), &play->world);
    char *rows = stored_rows(store_db(store));
    ingest_close(ingest);
    store_close(store);
    roster_free(roster);
    zone_close(zone);
    return rows;
}

static void check_store(struct play *play)
{
    char path[256];
    sqlite3 *db = NULL;
    struct settings_fault fault;
    snprintf(path, sizeof path, "%s/store.db", play->broker.folder);
    ck_assert_int_eq(store_open_readonly(path, &db, &fault), 0);
    stored_expect_conserved(db, &play->world);
    char *rows = stored_rows(db), *quiet = quiet_rows(play);
    ck_assert(strcmp(rows, quiet) == 0);
    free(rows);
    free(quiet);
    sqlite3_close(db);
}

static void play_open(struct play *play, const struct world_habits *habits, uint64_t seed)
{
    *play = (struct play){.kills = 0};
    world_make(&play->world, habits, seed);
    broker_prepare(&play->broker,
                   "allow_anonymous true\nautosave_on_changes false\nautosave_interval 2\n");
    broker_start(&play->broker);
    write_site(play);
    start_collector(play);
    for (unsigned g = 0; g < WORLD_GATEWAYS; g++)
        play->players[g] = (struct player){.next = 1, .moved_ms = now_ms()};
    client_open(play);
}

static void play_close(struct play *play)
{
    int status = stop_collector(play, SIGTERM);
    ck_assert(WIFEXITED(status));
    ck_assert_int_eq(WEXITSTATUS(status), 0);
    check_store(play);
    mosquitto_destroy(play->client);
    broker_stop(&play->broker, SIGTERM);
    broker_remove(&play->broker);
    world_free(&play->world);
}

START_TEST(killed_at_random)
{
    struct play play;
    struct chance chance = {4711};
    const char *wish = getenv("EDGEROW_KILLS");
    unsigned kills = wish ? (unsigned)atoi(wish) : 12;
    struct world_habits habits = {.stations = 12,
                                  .intervals = kills * 60,
                                  .loss = 0.2,
                                  .unsure = 0.2,
                                  .corrected = 0.7,
                                  .hard = true};
    play_open(&play, &habits, 99);
    int64_t begin_ms = now_ms();
    run(&play, &chance, kills);
    printf("%u kills, %u of them of the broker; %llu rows published, %llu of them again; %lld ms\n",
           play.kills, play.broker_kills, (unsigned long long)play.published,
           (unsigned long long)(play.published - play.world.spools[0].count -
                                play.world.spools[1].count - play.world.spools[2].count),
           (long long)(now_ms() - begin_ms));
    ck_assert_uint_ge(play.kills, kills / 2);
    play_close(&play);
}
END_TEST

int main(void)
{
    mosquitto_lib_init();
    Suite *suite = suite_create("collector");
    TCase *tcase = tcase_create("rows");
    tcase_set_timeout(tcase, 280);
    tcase_add_test(tcase, killed_at_random);
    suite_add_tcase(suite, tcase);
    int failed = suite_run(suite);
    mosquitto_lib_cleanup();
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
