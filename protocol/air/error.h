/* Why bytes from the air could not be used. Every function of protocol/air returns 0 or one of
 * these. */
#ifndef EDGEROW_AIR_ERROR_H
#define EDGEROW_AIR_ERROR_H

enum air_error {
    AIR_OK = 0,
    AIR_SHORT = -1,    /* fewer bytes than the layout needs */
    AIR_LONG = -2,     /* more bytes than the layout allows */
    AIR_NOT_DATA = -3, /* a join or proprietary frame: not ours */
    AIR_MAJOR = -4,    /* link layer major version other than 0 */
    AIR_FOPTS = -5,    /* option length and port contradict each other */
    AIR_VERSION = -6,  /* a report or order of a newer version than this code knows */
    AIR_KIND = -7,     /* a kind this version does not define */
    AIR_RANGE = -8,    /* a field outside its stated range */
    AIR_CAPACITY = -9  /* the caller's buffer is too small */
};

/* A short English phrase for an error, for instance "frame too short". Never NULL. */
const char *air_error_text(int error);

#endif
