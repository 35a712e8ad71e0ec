#include "protocol/feed/error.h"

const char *feed_error_text(int error)
{
    switch ((enum feed_error)error) {
    case FEED_OK:
        return "no error";
    case FEED_NOT_JSON:
        return "not a JSON object, a key twice, or too large";
    case FEED_MISSING:
        return "key missing";
    case FEED_TYPE:
        return "wrong type";
    case FEED_RANGE:
        return "value out of range";
    case FEED_VERSION:
        return "newer message version than this software knows";
    case FEED_NAME:
        return "not a valid name or topic";
    case FEED_MEMORY:
        return "out of memory";
    case FEED_CAPACITY:
        return "message too long";
    }
    return "unknown error";
}
