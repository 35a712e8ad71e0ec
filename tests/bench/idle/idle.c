/* The floor: a process with the daemons' libraries loaded, a loop, a clock and a session whose broker is not
 * there, doing nothing. What a daemon uses more than this is its own. */
#include <signal.h>
#include <stdlib.h>

#include <curl/curl.h>
#include <jansson.h>
#include <mbedtls/aes.h>
#include <sqlite3.h>

#include "common/clock.h"
#include "common/log.h"
#include "common/session.h"

static void on_connected(void *user, bool present)
{
    (void)user;
    (void)present;
}

static void on_disconnected(void *user, const char *why)
{
    (void)user;
    (void)why;
}

static void on_message(void *user, const char *topic, const void *payload, size_t len,
                       bool retained)
{
    (void)user;
    (void)topic;
    (void)payload;
    (void)len;
    (void)retained;
}

/* One call into each library, so that the linker keeps it and the loader pays for it. */
static void touch_libraries(void)
{
    mbedtls_aes_context aes;
    json_t *json = json_object();

    mbedtls_aes_init(&aes);
    json_decref(json);
    sqlite3_initialize();
    curl_global_init(CURL_GLOBAL_DEFAULT);
}

int main(int argc, char **argv)
{
    sd_event *event = NULL;
    struct clock_source *clock = NULL;
    struct session *session = NULL;
    char host[] = "127.0.0.1", none[] = "", id[] = "idle";
    const struct session_settings settings = {.host = host,
                                              .port = argc > 1 ? atoi(argv[1]) : 1,
                                              .user = none,
                                              .password_file = none,
                                              .ca_file = none,
                                              .client_id = id,
                                              .keepalive_s = 60};
    const struct session_events events = {
        .connected = on_connected, .disconnected = on_disconnected, .message = on_message};

    log_open("idle", LOG_LEVEL_ERROR);
    touch_libraries();
    if (sd_event_new(&event) < 0 || clock_open(&clock, event, NULL) < 0 ||
        session_open(&session, event, &settings, NULL, &events) < 0)
        return EXIT_FAILURE;
    return sd_event_loop(event) < 0 ? EXIT_FAILURE : EXIT_SUCCESS;
}
