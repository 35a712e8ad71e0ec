#include "collector/season/sun.h"

#include <math.h>

#include <libnova/precession.h>
#include <libnova/sidereal_time.h>
#include <libnova/solar.h>
#include <libnova/transform.h>

#define RISE_ALTITUDE_DEG     (-50.0 / 60.0)
#define TWILIGHT_ALTITUDE_DEG (-6.0)

static const double unix_epoch_jd = 2440587.5;
static const double day_s = 86400;

/* The library's sun is referred to the equinox of 2000 and its rise and set times use it as it is,
 * which put them two minutes off against the NOAA values for 2026. Precessed to the day, its
 * positions are good, so the crossings are found here. */
static void position(double jd, struct ln_equ_posn *equatorial)
{
    struct ln_equ_posn of_2000;
    ln_get_solar_equ_coords(jd, &of_2000);
    ln_get_equ_prec(&of_2000, jd, equatorial);
}

static double altitude_deg(const struct ln_lnlat_posn *where, double jd)
{
    struct ln_equ_posn sun;
    struct ln_hrz_posn horizon;
    struct ln_lnlat_posn observer = *where;
    position(jd, &sun);
    ln_get_hrz_from_equ(&sun, &observer, jd, &horizon);
    return horizon.alt;
}

/* The nearest instant at which the sun's hour angle is zero. */
static double transit(const struct ln_lnlat_posn *where, double about_jd)
{
    double jd = about_jd;
    for (int i = 0; i < 4; i++) {
        struct ln_equ_posn sun;
        position(jd, &sun);
        double hour_angle_deg = ln_get_apparent_sidereal_time(jd) * 15 + where->lng - sun.ra;
        jd -= remainder(hour_angle_deg, 360) / 360;
    }
    return jd;
}

/* Where between low (below the altitude) and high (above it) the sun crosses; they are half a day
 * apart at most, and 20 halvings leave a twentieth of a second. */
static double crossing(const struct ln_lnlat_posn *where, double low, double high, double altitude)
{
    for (int i = 0; i < 20; i++) {
        double middle = (low + high) / 2;
        if (altitude_deg(where, middle) < altitude)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2;
}

static int64_t seconds_of(double jd)
{
    return llround((jd - unix_epoch_jd) * day_s);
}

/* False when the sun does not pass this altitude both before and after its transit. */
static bool crossings(const struct ln_lnlat_posn *where, double noon_jd, double altitude,
                      int64_t *up_s, int64_t *down_s)
{
    double before = noon_jd - 0.5, after = noon_jd + 0.5;
    if (altitude_deg(where, noon_jd) < altitude || altitude_deg(where, before) >= altitude ||
        altitude_deg(where, after) >= altitude)
        return false;
    *up_s = seconds_of(crossing(where, before, noon_jd, altitude));
    *down_s = seconds_of(crossing(where, after, noon_jd, altitude));
    return true;
}

void sun_of_day(double latitude, double longitude, int64_t about_noon_s, struct sun_day *day)
{
    struct ln_lnlat_posn where = {.lng = longitude, .lat = latitude};
    double noon_jd = transit(&where, (double)about_noon_s / day_s + unix_epoch_jd);
    *day = (struct sun_day){.noon_s = seconds_of(noon_jd)};
    day->rises = crossings(&where, noon_jd, RISE_ALTITUDE_DEG, &day->rise_s, &day->set_s);
    day->twilight = crossings(&where, noon_jd, TWILIGHT_ALTITUDE_DEG, &day->dawn_s, &day->dusk_s);
}
