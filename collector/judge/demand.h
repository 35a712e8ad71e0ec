/*
 * Evaporative demand of a day from its temperatures, and how dry the air is: FAO Irrigation and Drainage Paper
 * 56 (Allen et al. 1998). What a trap loses is a coefficient of this demand that differs from trap
 * to trap and is learned, see level.h.
 */
#ifndef EDGEROW_JUDGE_DEMAND_H
#define EDGEROW_JUDGE_DEMAND_H

/* Extraterrestrial radiation of day 1 to 366 of the year, MJ per square metre and day, eq. 21
 * to 25. The equations lose validity above 55 degrees of latitude; beyond the polar circles the
 * angle is bounded. */
double demand_radiation_mj(double latitude_deg, int day_of_year);
/* Reference evapotranspiration, mm a day, eq. 52, with radiation in MJ (0.408 mm each). Never below
 * 0. */
double demand_hargreaves_mm(double mean_c, double max_c, double min_c, double radiation_mj);
/* Saturation vapour pressure, kPa, eq. 11. */
double demand_saturation_kpa(double celsius);

#endif
