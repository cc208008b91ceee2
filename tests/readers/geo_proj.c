/*
 * geo_proj: the core's short formulas against PROJ's geodesic routines over random points. Built by geo_proj.sh with the core's geo.c.
 * Prints the largest differences by distance and fails where one is above what core/geo.h promises.
 */
#include <geodesic.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "core/geo.h"

static uint64_t state;

static double uniform(double low, double high)
{
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return low + (high - low) * ((double)(state >> 11) / 9007199254740992.0);
}

static double apart_m(const struct geod_geodesic *g, double lat1, double lon1, double lat2, double lon2)
{
    double s;

    geod_inverse(g, lat1, lon1, lat2, lon2, &s, NULL, NULL);
    return s;
}

struct worst {
    double distance; /* relative */
    double between_m;
    double plane; /* relative length error of a step near the origin of a plane */
};

static void try_one(const struct geod_geodesic *g, double length, struct worst *worst)
{
    double lat1 = 180.0 / 3.14159265358979 * asin(uniform(-1.0, 1.0));
    double lon1 = uniform(-180.0, 180.0);
    double azimuth = uniform(-180.0, 180.0);
    double fraction = uniform(0.0, 1.0);
    double lat2, lon2, lat3, lon3, lat, lon;
    struct geod_geodesicline line;

    geod_lineinit(&line, g, lat1, lon1, azimuth, GEOD_LATITUDE | GEOD_LONGITUDE | GEOD_DISTANCE_IN);
    geod_position(&line, length, &lat2, &lon2, NULL);
    geod_position(&line, length * fraction, &lat3, &lon3, NULL);
    worst->distance = fmax(worst->distance, fabs(geo_distance_m(lat1, lon1, lat2, lon2) / length - 1.0));
    geo_between(lat1, lon1, lat2, lon2, fraction, &lat, &lon);
    worst->between_m = fmax(worst->between_m, apart_m(g, lat, lon, lat3, lon3));
    if (fabs(lat1) < 80.0) {
        struct geo_plane plane;
        double north, east;
        geo_plane_at(&plane, lat1, lon1);
        geo_to_plane(&plane, lat2, lon2, &north, &east);
        worst->plane = fmax(worst->plane, fabs(hypot(north, east) / length - 1.0));
    }
}

int main(void)
{
    static const struct {
        double length_m, distance, between_m, plane;
    } row[] = {{1.0, 2e-8, 1e-6, 1e-6},
               {100.0, 1e-9, 1e-6, 5e-5},
               {1000.0, 1e-9, 1e-5, 5e-4},
               {10000.0, 2e-9, 1e-3, 5e-3},
               {100000.0, 1e-7, 1.0, 5e-2}};
    struct geod_geodesic g;
    int failed = 0;
    const uint64_t seed = 20310304;

    geod_init(&g, GEO_WGS84_A_M, GEO_WGS84_F);
    state = seed;
    printf("geodesics: 20000 random lines a row, seed %llu\n", (unsigned long long)seed);
    printf("%10s %22s %22s %28s\n", "length m", "distance, relative", "between, m",
           "plane to 80 deg, relative");
    for (size_t i = 0; i < sizeof row / sizeof row[0]; i++) {
        struct worst worst = {0};
        for (int k = 0; k < 20000; k++) {
            try_one(&g, row[i].length_m, &worst);
        }
        int bad = worst.distance > row[i].distance || worst.between_m > row[i].between_m ||
                  worst.plane > row[i].plane;
        failed = failed || bad;
        printf("%10.0f %10.2e (< %7.0e) %10.2e (< %7.0e) %16.2e (< %7.0e)%s\n", row[i].length_m,
               worst.distance, row[i].distance, worst.between_m, row[i].between_m, worst.plane, row[i].plane,
               bad ? "  TOO LARGE" : "");
    }
    return failed;
}
