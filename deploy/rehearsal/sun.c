#include "deploy/rehearsal/sun.h"

#include <math.h>

static double radians(double degrees)
{
    return degrees * M_PI / 180.0;
}

struct sky {
    double declination;  /* radians */
    double equation_min; /* apparent less mean solar time, minutes */
};

static struct sky sky_at(double century)
{
    double mean_long =
        radians(fmod(280.46646 + century * (36000.76983 + century * 0.0003032), 360.0));
    double anomaly = radians(357.52911 + century * (35999.05029 - 0.0001537 * century));
    double ecc = 0.016708634 - century * (0.000042037 + 0.0000001267 * century);
    double centre = sin(anomaly) * (1.914602 - century * (0.004817 + 0.000014 * century)) +
                    sin(2 * anomaly) * (0.019993 - 0.000101 * century) +
                    sin(3 * anomaly) * 0.000289;
    double node = radians(125.04 - 1934.136 * century);
    double apparent = mean_long + radians(centre - 0.00569 - 0.00478 * sin(node));
    double tilt = radians(23.439291 - 0.0130042 * century + 0.00256 * cos(node));
    double y = tan(tilt / 2) * tan(tilt / 2);
    double equation = y * sin(2 * mean_long) - 2 * ecc * sin(anomaly) +
                      4 * ecc * y * sin(anomaly) * cos(2 * mean_long) -
                      0.5 * y * y * sin(4 * mean_long) - 1.25 * ecc * ecc * sin(2 * anomaly);
    return (struct sky){.declination = asin(sin(tilt) * sin(apparent)),
                        .equation_min = equation * 4.0 * 180.0 / M_PI};
}

double sun_elevation_deg(double latitude, double longitude, int64_t at_s)
{
    double days = (double)at_s / 86400.0 + 2440587.5 - 2451545.0;
    struct sky sky = sky_at(days / 36525.0);
    double utc_min = fmod((double)at_s, 86400.0) / 60.0;
    double solar_min = utc_min + sky.equation_min + 4.0 * longitude;
    double hour_angle = radians(solar_min / 4.0 - 180.0);
    double sine = sin(radians(latitude)) * sin(sky.declination) +
                  cos(radians(latitude)) * cos(sky.declination) * cos(hour_angle);
    return asin(sine) * 180.0 / M_PI;
}

double sun_day_mm(double latitude, int day_of_year)
{
    double angle = 2.0 * M_PI / 365.0 * day_of_year;
    double distance = 1.0 + 0.033 * cos(angle);
    double declination = 0.409 * sin(angle - 1.39);
    double phi = radians(latitude);
    double cosine = fmax(-1.0, fmin(1.0, -tan(phi) * tan(declination)));
    double sunset = acos(cosine);
    double mj = 24.0 * 60.0 / M_PI * 0.0820 * distance *
                (sunset * sin(phi) * sin(declination) + cos(phi) * cos(declination) * sin(sunset));
    return 0.408 * mj;
}
