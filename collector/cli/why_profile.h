/* A block's passes by local day and by hour of the day, over the last seven complete days and today. */
#ifndef EDGEROW_CLI_WHY_PROFILE_H
#define EDGEROW_CLI_WHY_PROFILE_H

#include <jansson.h>

#include "collector/cli/site_view.h"

/* 0 or a negative errno. */
int why_profile_print(const struct site_view *view, const char *block);
/* Adds "days" and "hours" to an object. */
int why_profile_json(const struct site_view *view, const char *block, json_t *object);

#endif
