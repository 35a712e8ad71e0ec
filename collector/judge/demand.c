#include "collector/judge/demand.h"

#include <math.h>

enum { DAYS_OF_YEAR = 365 };
static const double SOLAR_CONSTANT_MJ_MIN = 0.0820; /* per square metre and minute, below eq. 21 */
static const double MM_PER_MJ = 0.408;              /* eq. 20: inverse of the latent heat */

double demand_radiation_mj(double latitude_deg, int day_of_year)
{
    double phi = latitude_deg * M_PI / 180;
    double year = 2 * M_PI * day_of_year / DAYS_OF_YEAR;
    double distance = 1 + 0.033 * cos(year);                         /* eq. 23 */
    double declination = 0.409 * sin(year - 1.39);                   /* eq. 24 */
    double cosine = fmax(-1, fmin(1, -tan(phi) * tan(declination))); /* eq. 25 */
    double sunset = acos(cosine);
    double sum = sunset * sin(phi) * sin(declination) + cos(phi) * cos(declination) * sin(sunset);
    return fmax(0, 24 * 60 / M_PI * SOLAR_CONSTANT_MJ_MIN * distance * sum); /* eq. 21 */
}

double demand_hargreaves_mm(double mean_c, double max_c, double min_c, double radiation_mj)
{
    double range = fmax(0, max_c - min_c);
    return fmax(0, 0.0023 * (mean_c + 17.8) * sqrt(range) * MM_PER_MJ * radiation_mj); /* eq. 52 */
}

double demand_saturation_kpa(double celsius)
{
    return 0.6108 * exp(17.27 * celsius / (celsius + 237.3));
}
