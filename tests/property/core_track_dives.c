/*
 * track on simulated dives: 100 random hours of a vehicle at work (legs at up to 0.6 m/s, turns, stops), acoustic fixes every 1 to 4 s with
 * noise of 0.3 to 1 % of a depth of 200 to 3000 m, 4 % of them wild, and drop-outs. Prints error against truth and bias of the path length for raw,
 * filtered (live, as it came) and smoothed positions side by side, and requires that smoothed beats filtered beats raw.
 *
 * `core_track_dives --table` prints a line for each dive too.
 */
#include <string.h>

#include "core/track.h"
#include "property/core_random.h"
#include "unit/core_near.h"

enum { DIVES = 100, SECONDS = 3600, STEPS_PER_S = 10, FIXES_MAX = 3700 };

static const double lat0 = 61.25;
static const double lon0 = -179.99;

struct vehicle {
    double north_m, east_m, speed, course; /* m/s, radians */
    double want_speed, want_course;
    double until_s;
};

static double truth_north[SECONDS * STEPS_PER_S + 1];
static double truth_east[SECONDS * STEPS_PER_S + 1];

static double towards(double value, double want, double most)
{
    double change = want - value;

    return fabs(change) <= most ? want : value + (change > 0 ? most : -most);
}

/* A new leg or stop now and then; speed changes by at most 0.05 m/s each second, course by at most 4 degrees. */
static void move(struct vehicle *v, double now_s, double dt)
{
    if (now_s >= v->until_s) {
        v->want_speed = random_below(3) == 0 ? 0.0 : random_uniform(0.1, 0.6);
        v->want_course = v->course + random_uniform(-2.5, 2.5);
        v->until_s = now_s + random_uniform(60.0, 400.0);
    }
    v->speed = towards(v->speed, v->want_speed, 0.05 * dt);
    v->course = towards(v->course, v->want_course, 0.07 * dt);
    v->north_m += v->speed * cos(v->course) * dt;
    v->east_m += v->speed * sin(v->course) * dt;
}

static void simulate(void)
{
    struct vehicle v = {.course = random_uniform(0.0, 6.28)};

    for (int i = 0; i <= SECONDS * STEPS_PER_S; i++) {
        truth_north[i] = v.north_m;
        truth_east[i] = v.east_m;
        move(&v, (double)i / STEPS_PER_S, 1.0 / STEPS_PER_S);
    }
}

static size_t make_fixes(struct track_fix *fixes, int *index, double sigma, double depth)
{
    struct geo_plane plane;
    size_t count = 0;
    double interval = random_uniform(1.0, 4.0);

    geo_plane_at(&plane, lat0, lon0);
    double t = -interval;
    while ((t += interval) <= SECONDS) {
        int i = (int)(t * STEPS_PER_S);
        double scale = random_below(25) == 0 ? random_uniform(8.0, 30.0) : 1.0;
        if (random_below(300) == 0) {
            t += random_uniform(10.0, 100.0); /* a drop-out */
            continue;
        }
        fixes[count] = (struct track_fix){.at = {(int64_t)i * 100 * NS_PER_MS},
                                          .position_known = true,
                                          .sigma_known = true,
                                          .sigma_m = sigma,
                                          .depth_known = true,
                                          .depth_m = depth};
        geo_from_plane(&plane, truth_north[i] + sigma * scale * random_normal(),
                       truth_east[i] + sigma * scale * random_normal(), &fixes[count].lat_deg,
                       &fixes[count].lon_deg);
        index[count++] = i;
    }
    return count;
}

enum { RAW, KEPT, FILTERED, SMOOTHED, WAYS }; /* kept: raw, without what the filter called outliers */

struct score {
    double squares[WAYS];
    double length[WAYS];
    double last_lat[WAYS], last_lon[WAYS];
    int count[WAYS];
    int inside[WAYS]; /* truth within the claimed uncertainty */
};

static void score_one(struct score *s, int way, int index, double lat, double lon, double uncertainty)
{
    struct geo_plane plane;
    double north;
    double east;

    geo_plane_at(&plane, lat0, lon0);
    geo_to_plane(&plane, lat, lon, &north, &east);
    double error = hypot(north - truth_north[index], east - truth_east[index]);
    s->squares[way] += error * error;
    if (s->count[way]++ > 0) {
        s->length[way] += geo_distance_m(s->last_lat[way], s->last_lon[way], lat, lon);
    }
    s->inside[way] += error <= uncertainty;
    s->last_lat[way] = lat;
    s->last_lon[way] = lon;
}

static double true_length(int from, int to)
{
    double sum = 0.0;

    for (int i = from; i < to; i++) {
        sum += hypot(truth_north[i + 1] - truth_north[i], truth_east[i + 1] - truth_east[i]);
    }
    return sum;
}

struct result {
    double rms[WAYS], bias[WAYS], inside[WAYS];
    double length_m, sigma_m, truth_m, noise_m;
};

static struct result dive(void)
{
    static struct track_fix fixes[FIXES_MAX];
    static struct track_point points[FIXES_MAX];
    static int index[FIXES_MAX];
    struct track_options options;
    struct track track;
    struct track_position p;
    struct track_distance d;
    struct score s = {.count = {0}};
    struct result r = {.noise_m = 0};
    double depth = random_uniform(200.0, 3000.0);
    double sigma = depth * random_uniform(0.003, 0.01);

    simulate();
    size_t count = make_fixes(fixes, index, sigma, depth);
    track_options_default(&options);
    track_init(&track, &options);
    for (size_t i = 0; i < count; i++) {
        score_one(&s, RAW, index[i], fixes[i].lat_deg, fixes[i].lon_deg, 2.8284 * sigma);
        enum track_verdict verdict = track_add(&track, &fixes[i]);
        if (verdict != TRACK_OUTLIER) {
            score_one(&s, KEPT, index[i], fixes[i].lat_deg, fixes[i].lon_deg, 2.8284 * sigma);
        }
        assert_true(track_at(&track, fixes[i].at, &p));
        score_one(&s, FILTERED, index[i], p.lat_deg, p.lon_deg, p.uncertainty_m);
    }
    size_t made = track_smooth(&options, fixes, count, points);
    assert_true(made + 10 >= count);
    size_t fix = 0;
    for (size_t i = 0; i < made; i++) {
        while (fixes[fix].at.ns < points[i].at.ns) {
            fix++;
        }
        score_one(&s, SMOOTHED, index[fix], points[i].lat_deg, points[i].lon_deg, points[i].uncertainty_m);
    }
    assert_true(track_length(points, made, points[0].at, points[made - 1].at, &d));
    r.truth_m = true_length(index[0], index[count - 1]);
    for (int way = 0; way < WAYS; way++) {
        double length = way == SMOOTHED ? d.length_m + d.bridged_m : s.length[way];
        r.rms[way] = sqrt(s.squares[way] / s.count[way]);
        r.bias[way] = length / r.truth_m - 1.0;
        r.inside[way] = (double)s.inside[way] / s.count[way];
    }
    r.length_m = d.length_m + d.bridged_m;
    r.sigma_m = d.sigma_m;
    r.noise_m = sigma;
    return r;
}

static bool want_table;

static void smoothed_beats_filtered_beats_raw(void **state)
{
    static const char *const names[] = {"raw", "raw, gated", "filtered", "smoothed"};
    struct result sum = {.noise_m = 0};
    double worst_bias[WAYS] = {0};
    int better = 0;
    int within = 0;

    (void)state;
    for (int i = 0; i < DIVES; i++) {
        struct result r = dive();
        if (want_table) {
            printf("dive %3d noise %5.1f m truth %6.0f m  rms %6.2f %6.2f %6.2f  bias %7.1f%% %6.1f%% "
                   "%6.1f%%  sigma %5.1f m\n",
                   i, r.noise_m, r.truth_m, r.rms[RAW], r.rms[FILTERED], r.rms[SMOOTHED], 100 * r.bias[RAW],
                   100 * r.bias[FILTERED], 100 * r.bias[SMOOTHED], r.sigma_m);
        }
        for (int way = 0; way < WAYS; way++) {
            sum.rms[way] += r.rms[way] / r.noise_m / DIVES;
            sum.bias[way] += r.bias[way] / DIVES;
            sum.inside[way] += r.inside[way] / DIVES;
            worst_bias[way] = fmax(worst_bias[way], fabs(r.bias[way]));
        }
        within += fabs(r.length_m - r.truth_m) <= 2.0 * r.sigma_m;
        assert_true(r.rms[SMOOTHED] < r.rms[FILTERED] && r.rms[SMOOTHED] < r.rms[KEPT] &&
                    r.rms[FILTERED] < r.rms[RAW]);
        better += r.rms[FILTERED] < r.rms[KEPT];
    }
    printf("%d dives of an hour, means\n", DIVES);
    printf("%-10s %22s %18s %18s %22s\n", "", "RMS error / fix sigma", "length bias", "largest",
           "truth in uncertainty");
    for (int way = 0; way < WAYS; way++) {
        printf("%-10s %22.3f %17.1f%% %17.1f%% %21.1f%%\n", names[way], sum.rms[way], 100 * sum.bias[way],
               100 * worst_bias[way], 100 * sum.inside[way]);
    }
    printf("length within twice its claimed standard deviation in %d dives of %d\n", within, DIVES);
    assert_true(better >= DIVES * 9 / 10);
    assert_true(within >= DIVES * 9 / 10);
    assert_true(fabs(sum.bias[SMOOTHED]) < 0.05);
    assert_true(sum.rms[SMOOTHED] < 0.5 && sum.inside[SMOOTHED] > 0.95 && sum.inside[FILTERED] > 0.95);
    assert_true(fabs(sum.bias[SMOOTHED]) < fabs(sum.bias[FILTERED]) &&
                fabs(sum.bias[FILTERED]) < fabs(sum.bias[RAW]));
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(smoothed_beats_filtered_beats_raw)};

    want_table = argc > 1 && strcmp(argv[1], "--table") == 0;
    random_begin(20310304);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
