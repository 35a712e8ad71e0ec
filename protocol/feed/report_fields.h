/* The decoded report inside a frame's row. Internal to this room. */
#ifndef EDGEROW_FEED_REPORT_FIELDS_H
#define EDGEROW_FEED_REPORT_FIELDS_H

#include "protocol/air/report.h"
#include "protocol/feed/reader.h"
#include "protocol/feed/writer.h"

void feed_report_write(struct feed_writer *w, const struct air_report *report);
int feed_report_read(const struct feed_reader *r, struct air_report *report);

#endif
