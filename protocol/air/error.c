#include "protocol/air/error.h"

const char *air_error_text(int error)
{
    switch (error) {
    case AIR_OK:
        return "no error";
    case AIR_SHORT:
        return "too short for its layout";
    case AIR_LONG:
        return "too long for its layout";
    case AIR_NOT_DATA:
        return "not a data frame";
    case AIR_MAJOR:
        return "link layer of another major version";
    case AIR_FOPTS:
        return "options and port 0 in one frame";
    case AIR_VERSION:
        return "of a newer version than this software knows";
    case AIR_KIND:
        return "of a kind this version does not define";
    case AIR_RANGE:
        return "a field is outside its range";
    case AIR_CAPACITY:
        return "the buffer is too small";
    default:
        return "unknown error";
    }
}
