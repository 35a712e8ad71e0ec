/* Orders to stations, as status and why show them. */
#ifndef EDGEROW_CLI_ORDERS_VIEW_H
#define EDGEROW_CLI_ORDERS_VIEW_H

#include <jansson.h>

#include "collector/cli/site_view.h"

/* What waits, and what ended within the last week; nothing at all when there is none. */
int orders_view_print(const struct site_view *view);
/* The latest order to the unit, as a line. */
void orders_view_print_unit(const struct site_view *view, uint32_t devaddr);
/* The same for programs: a list; an object or null. */
json_t *orders_view_json(const struct site_view *view);
json_t *orders_view_unit_json(const struct site_view *view, uint32_t devaddr);

#endif
