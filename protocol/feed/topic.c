#include "protocol/feed/topic.h"

#include <stdio.h>
#include <string.h>

#include "protocol/feed/error.h"

static const char root[] = "edgerow";

/* The levels after the site: a word, a name, then a word or a second name. */
static const struct {
    const char *first;
    const char *last; /* NULL: none */
    bool other;       /* the last level is a name */
} shapes[] = {
    [FEED_TOPIC_ROW] = {"gateway", "row", false},
    [FEED_TOPIC_GATEWAY_PRESENCE] = {"gateway", "presence", false},
    [FEED_TOPIC_GATEWAY_HEALTH] = {"gateway", "health", false},
    [FEED_TOPIC_STORED] = {"stored", NULL, true},
    [FEED_TOPIC_COLLECTOR_PRESENCE] = {"collector", "presence", false},
    [FEED_TOPIC_COLLECTOR_HEALTH] = {"collector", "health", false},
    [FEED_TOPIC_TRAP] = {"trap", NULL, false},
    [FEED_TOPIC_BLOCK] = {"block", NULL, false},
    [FEED_TOPIC_NOTICE] = {"notice", NULL, false},
    [FEED_TOPIC_LEASE] = {"lease", NULL, true},
    [FEED_TOPIC_HELD] = {"held", NULL, true},
    [FEED_TOPIC_ORDER] = {"order", NULL, true},
};
enum { SHAPES = sizeof shapes / sizeof shapes[0], LEVELS_MAX = 5 };

bool feed_name_valid(const char *name)
{
    size_t len = strnlen(name, FEED_NAME_MAX + 1);
    return len >= 1 && len <= FEED_NAME_MAX &&
           strspn(name, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-") == len;
}

static bool name_or_wildcard(const char *name)
{
    return feed_name_valid(name) || strcmp(name, "+") == 0;
}

int feed_topic_format(const struct feed_topic *topic, char text[FEED_TOPIC_MAX])
{
    unsigned kind = (unsigned)topic->kind;
    if (kind >= SHAPES || !name_or_wildcard(topic->site) || !name_or_wildcard(topic->name) ||
        (shapes[kind].other && !name_or_wildcard(topic->other)))
        return FEED_NAME;
    const char *last = shapes[kind].other ? topic->other : shapes[kind].last;
    snprintf(text, FEED_TOPIC_MAX, "%s/%s/%s/%s%s%s", root, topic->site, shapes[kind].first,
             topic->name, last == NULL ? "" : "/", last == NULL ? "" : last);
    return FEED_OK;
}

/* Cuts a copy at its slashes; the number of levels, or 0 when there are too many. */
static size_t split(char *copy, char *levels[LEVELS_MAX])
{
    size_t count = 0;
    for (char *at = copy; at != NULL; count++) {
        if (count == LEVELS_MAX)
            return 0;
        levels[count] = at;
        at = strchr(at, '/');
        if (at != NULL)
            *at++ = '\0';
    }
    return count;
}

static bool shape_matches(size_t kind, char *levels[], size_t count)
{
    bool longer = shapes[kind].other || shapes[kind].last != NULL;
    if (count != (longer ? 5u : 4u) || strcmp(levels[2], shapes[kind].first) != 0)
        return false;
    if (shapes[kind].other)
        return feed_name_valid(levels[4]);
    return shapes[kind].last == NULL || strcmp(levels[4], shapes[kind].last) == 0;
}

int feed_topic_parse(const char *text, struct feed_topic *topic)
{
    char copy[FEED_TOPIC_MAX], *levels[LEVELS_MAX];
    size_t len = strnlen(text, sizeof copy), kind = 0;
    if (len == sizeof copy)
        return FEED_NAME;
    memcpy(copy, text, len + 1);
    size_t count = split(copy, levels);
    if (count < 4 || strcmp(levels[0], root) != 0 || !feed_name_valid(levels[1]) ||
        !feed_name_valid(levels[3]))
        return FEED_NAME;
    while (kind < SHAPES && !shape_matches(kind, levels, count))
        kind++;
    if (kind == SHAPES)
        return FEED_NAME;
    *topic = (struct feed_topic){.kind = (enum feed_topic_kind)kind};
    memcpy(topic->site, levels[1], strlen(levels[1]) + 1);
    memcpy(topic->name, levels[3], strlen(levels[3]) + 1);
    if (shapes[kind].other)
        memcpy(topic->other, levels[4], strlen(levels[4]) + 1);
    return FEED_OK;
}
