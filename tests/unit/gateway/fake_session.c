#include "tests/unit/gateway/fake_session.h"

#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <string.h>

struct fake_session fake;

void fake_reset(void)
{
    memset(&fake, 0, sizeof fake);
}

int session_open(struct session **session, sd_event *event, const struct session_settings *settings,
                 const struct session_will *will, const struct session_events *events)
{
    (void)event;
    (void)settings;
    if (fake.opens != 0)
        return fake.opens;
    fake.open = true;
    fake.events = *events;
    snprintf(fake.will_topic, sizeof fake.will_topic, "%s", will->topic);
    snprintf(fake.will_text, sizeof fake.will_text, "%s", will->text);
    *session = (struct session *)&fake;
    return 0;
}

void session_close(struct session *session)
{
    if (session != NULL)
        fake.open = fake.connected = false;
}

bool session_is_connected(const struct session *session)
{
    ck_assert_ptr_eq(session, &fake);
    return fake.connected;
}

int session_subscribe(struct session *session, const char *filter)
{
    (void)session;
    if (fake.filter_count == SESSION_FILTERS_MAX)
        return -ENOSPC;
    snprintf(fake.filters[fake.filter_count++], sizeof fake.filters[0], "%s", filter);
    return 0;
}

int session_publish(struct session *session, const char *topic, const void *payload, size_t len,
                    bool retain, int *id)
{
    (void)session;
    if (id != NULL)
        *id = (int)fake.count + 1;
    if (!fake.connected)
        return -ENOTCONN;
    if (fake.refuses || fake.count == FAKE_MESSAGES_MAX)
        return -ENOBUFS;
    struct fake_message *message = &fake.messages[fake.count++];
    snprintf(message->topic, sizeof message->topic, "%s", topic);
    snprintf(message->text, sizeof message->text, "%.*s", (int)len, (const char *)payload);
    message->retain = retain;
    fake.in_flight++;
    return 0;
}

unsigned session_in_flight(const struct session *session)
{
    (void)session;
    return fake.in_flight;
}

void fake_connect(void)
{
    fake.connected = true;
    fake.in_flight = 0;
    fake.events.connected(fake.events.user, true);
}

void fake_disconnect(void)
{
    fake.connected = false;
    fake.events.disconnected(fake.events.user, "The broker is gone.");
}

void fake_acknowledge(unsigned count)
{
    for (; count > 0 && fake.in_flight > 0; count--) {
        fake.in_flight--;
        fake.events.sent(fake.events.user, 0);
    }
}

void fake_say(const char *topic, const char *text, bool retained)
{
    fake.events.message(fake.events.user, topic, text, strlen(text), retained);
    fake.events.batch(fake.events.user);
}
