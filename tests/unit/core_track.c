/*
 * track: the textbook numbers of the smoother, then what a dive does to a filter: outliers, drop-outs, sitting still, velocity logs.
 *
 * The five-measurement example was computed twice independently (Rauch-Tung-Striebel, and one batch least-squares solution, equal to 1e-13).
 * `core_track --smooth` reads fixes from standard input and prints smoothed points, for tests/readers/track_numpy.sh.
 */
#include <stdlib.h>
#include <string.h>

#include "core/kalman.h"
#include "core/track.h"
#include "core_near.h"

/* ---- the textbook example, one axis ---- */

static void smoother_meets_the_worked_example(void **state)
{
    static const double z[] = {0.2, 1.1, 1.9, 3.2, 3.9};
    static const double want[5][3] = {{0.232101, 0.902272, 1.519015},
                                      {1.138712, 0.910777, 1.084570},
                                      {2.053149, 0.917764, 0.911225},
                                      {2.972934, 0.920834, 1.093743},
                                      {3.893820, 0.920911, 1.540088}};
    struct kalman_state s[5];
    struct kalman_state now = {.var_pos = 100.0, .var_vel = 10.0};

    (void)state;
    for (int k = 0; k < 5; k++) {
        if (k > 0) {
            kalman_predict(&now, 1.0, 0.1);
        }
        kalman_update_position(&now, z[k], -z[k], 4.0);
        s[k] = now;
    }
    for (int k = 3; k >= 0; k--) {
        kalman_smooth(&s[k], 1.0, 0.1, &s[k + 1], NULL);
    }
    for (int k = 0; k < 5; k++) {
        assert_near(s[k].north_m, want[k][0], 1e-6);
        assert_near(s[k].north_m_s, want[k][1], 1e-6);
        assert_near(s[k].east_m, -want[k][0], 1e-6);
        assert_near(s[k].east_m_s, -want[k][1], 1e-6);
        assert_near(sqrt(s[k].var_pos), want[k][2], 1e-6);
    }
}

/* ---- a vehicle on a known course ---- */

static const double lat0 = -12.5;
static const double lon0 = 45.5;

static struct track_fix fix_at(double seconds, double north_m, double east_m)
{
    struct geo_plane plane;
    /* shallow, so that its noise is the least there is: 1 m */
    struct track_fix fix = {.at = {(int64_t)(seconds * 1e9)}, .position_known = true, .depth_known = true};

    geo_plane_at(&plane, lat0, lon0);
    geo_from_plane(&plane, north_m, east_m, &fix.lat_deg, &fix.lon_deg);
    return fix;
}

static double off_m(const struct track_position *p, double north_m, double east_m)
{
    struct track_fix want = fix_at(0, north_m, east_m);

    return geo_distance_m(p->lat_deg, p->lon_deg, want.lat_deg, want.lon_deg);
}

static void a_straight_line_is_followed_and_carried_on(void **state)
{
    struct track track;
    struct track_position p;

    (void)state;
    track_init(&track, NULL);
    assert_false(track_at(&track, (mono_ns){0}, &p));
    for (int t = 0; t <= 100; t += 2) {
        struct track_fix fix = fix_at(t, 0.5 * t, -0.25 * t);
        assert_int_equal(track_add(&track, &fix), t == 0 ? TRACK_STARTED : TRACK_ACCEPTED);
    }
    assert_true(track_at(&track, (mono_ns){100 * NS_PER_S}, &p));
    assert_true(off_m(&p, 50, -25) < 0.05);
    assert_near(p.speed_m_s, hypot(0.5, 0.25), 0.01);
    assert_near(p.course_deg, 360.0 - 26.565, 1.0);
    assert_int_equal(p.age_ns, 0);
    double then = p.uncertainty_m;
    assert_true(track_at(&track, (mono_ns){110 * NS_PER_S}, &p));
    assert_true(off_m(&p, 55, -27.5) < 0.1);
    assert_int_equal(p.age_ns, 10 * NS_PER_S);
    assert_false(p.between);
    assert_true(p.uncertainty_m > 2.0 * then);
    assert_true(track_at(&track, (mono_ns){220 * NS_PER_S}, &p));
    assert_false(track_at(&track, (mono_ns){220 * NS_PER_S + 1}, &p)); /* longer than a drop-out */
    assert_true(track_at(&track, (mono_ns){51 * NS_PER_S}, &p));       /* looking back: smoothed */
    assert_true(p.between);
    assert_true(off_m(&p, 25.5, -12.75) < 0.05);
    assert_int_equal(p.age_ns, NS_PER_S);
    assert_false(track_at(&track, (mono_ns){-1}, &p));
}

static void looking_back_equals_the_smoother(void **state)
{
    enum { COUNT = 40 };
    static struct track_fix fixes[COUNT];
    static struct track_point points[COUNT];
    struct track_options options;
    struct track track;
    struct track_position live;

    (void)state;
    track_options_default(&options);
    options.gate = 0.0;
    track_init(&track, &options);
    for (int i = 0; i < COUNT; i++) {
        fixes[i] = fix_at(2.0 * i + 0.3 * (i % 3), 3.0 * sin(i * 1.7) + i, 3.0 * cos(i * 2.9) - 0.5 * i);
        track_add(&track, &fixes[i]);
    }
    assert_int_equal(track_smooth(&options, fixes, COUNT, points), COUNT);
    for (int i = 0; i < COUNT; i++) {
        assert_true(track_at(&track, fixes[i].at, &live));
        assert_near(live.lat_deg, points[i].lat_deg, 1e-12);
        assert_near(live.lon_deg, points[i].lon_deg, 1e-12);
        assert_near(live.uncertainty_m, points[i].uncertainty_m, 1e-9);
    }
}

static void outliers_are_left_out(void **state)
{
    struct track track;
    struct track_position p;
    int outliers = 0;

    (void)state;
    track_init(&track, NULL);
    for (int t = 0; t <= 200; t += 2) {
        bool wild = t % 14 == 10;
        struct track_fix fix = fix_at(t, 0.3 * t + (wild ? 80.0 : 0.0), 0.0);
        enum track_verdict verdict = track_add(&track, &fix);
        assert_int_equal(verdict == TRACK_OUTLIER, wild);
        outliers += wild;
    }
    assert_int_equal(track.counts[TRACK_OUTLIER], outliers);
    assert_true(track_at(&track, (mono_ns){200 * NS_PER_S}, &p));
    assert_true(off_m(&p, 60, 0) < 0.1);
}

static void outliers_in_a_row_mean_the_filter_was_wrong(void **state)
{
    struct track track;
    struct track_position p;

    (void)state;
    track_init(&track, NULL);
    for (int t = 0; t <= 20; t += 2) {
        struct track_fix fix = fix_at(t, 500, 500);
        assert_int_equal(track_add(&track, &fix), t == 0 ? TRACK_STARTED : TRACK_ACCEPTED);
    }
    for (int t = 22; t <= 28; t += 2) {
        struct track_fix fix = fix_at(t, 0, 0);
        assert_int_equal(track_add(&track, &fix), TRACK_OUTLIER);
    }
    struct track_fix fix = fix_at(30, 0, 0);
    assert_int_equal(track_add(&track, &fix), TRACK_RESTARTED);
    assert_true(track_at(&track, (mono_ns){30 * NS_PER_S}, &p));
    assert_true(off_m(&p, 0, 0) < 1e-6);
}

static void a_wild_first_fix_does_not_last(void **state)
{
    static const double north[] = {900, 0, 1, 2, 900, 3};
    static const enum track_verdict want[] = {TRACK_STARTED,  TRACK_RESTARTED, TRACK_ACCEPTED,
                                              TRACK_ACCEPTED, TRACK_OUTLIER,   TRACK_ACCEPTED};
    struct track track;

    (void)state;
    track_init(&track, NULL);
    for (int i = 0; i < 6; i++) {
        struct track_fix fix = fix_at(2.0 * i, north[i], 0);
        assert_int_equal(track_add(&track, &fix), want[i]);
    }
}

static void a_drop_out_starts_anew(void **state)
{
    struct track track;

    (void)state;
    track_init(&track, NULL);
    struct track_fix fix = fix_at(0, 0, 0);
    assert_int_equal(track_add(&track, &fix), TRACK_STARTED);
    fix = fix_at(121, 300, 0);
    assert_int_equal(track_add(&track, &fix), TRACK_STARTED);
    fix = fix_at(121, 300, 0);
    assert_int_equal(track_add(&track, &fix), TRACK_OLD);
    fix = fix_at(100, 300, 0);
    assert_int_equal(track_add(&track, &fix), TRACK_OLD);
}

static void what_cannot_be_is_refused(void **state)
{
    struct track track;
    struct track_fix fix = {.at = {0}};

    (void)state;
    track_init(&track, NULL);
    assert_int_equal(track_add(&track, &fix), TRACK_BAD);
    track_velocity_from_course(&fix, 1.0, 90.0);
    assert_int_equal(track_add(&track, &fix), TRACK_BAD); /* a velocity before any position */
    fix = fix_at(1, 0, 0);
    fix.lat_deg = NAN;
    assert_int_equal(track_add(&track, &fix), TRACK_BAD);
    fix.lat_deg = 91.0;
    assert_int_equal(track_add(&track, &fix), TRACK_BAD);
    fix.lat_deg = 10.0;
    fix.lon_deg = INFINITY;
    assert_int_equal(track_add(&track, &fix), TRACK_BAD);
    fix.lon_deg = 10.0;
    fix.velocity_known = true;
    fix.north_m_s = NAN;
    assert_int_equal(track_add(&track, &fix), TRACK_BAD);
    assert_int_equal(track.counts[TRACK_BAD], 6);
    assert_string_equal(track_verdict_name(TRACK_BAD), "bad");
}

static void noise_is_the_fixs_own_or_a_share_of_depth(void **state)
{
    struct track_options options;
    struct track_fix fix = fix_at(0, 0, 0);

    (void)state;
    track_options_default(&options);
    assert_near(track_sigma_m(&options, &fix), 1.0, 0);
    fix.depth_known = false; /* not the best there is */
    assert_near(track_sigma_m(&options, &fix), 10.0, 0);
    fix.depth_known = true;
    fix.depth_m = 3000.0;
    assert_near(track_sigma_m(&options, &fix), 30.0, 1e-9);
    options.noise_fraction = 0.002;
    assert_near(track_sigma_m(&options, &fix), 6.0, 1e-9);
    fix.sigma_known = true;
    fix.sigma_m = 4.5;
    assert_near(track_sigma_m(&options, &fix), 4.5, 0);
    fix.sigma_m = 0.0; /* no claim at all */
    assert_near(track_sigma_m(&options, &fix), 6.0, 1e-9);
}

static void velocity_comes_in_either_form(void **state)
{
    struct track_fix fix = {.velocity_known = false};

    (void)state;
    track_velocity_from_course(&fix, 3600.0 / 1852.0, 30.0);
    assert_true(fix.velocity_known);
    assert_near(fix.north_m_s, 0.8660254, 1e-7);
    assert_near(fix.east_m_s, 0.5, 1e-12);
    track_velocity_from_log(&fix, 0.0, 3600.0 / 1852.0, 0.0); /* sideways to starboard, heading north: east */
    assert_near(fix.north_m_s, 0.0, 1e-12);
    assert_near(fix.east_m_s, 1.0, 1e-12);
    track_velocity_from_log(&fix, 3600.0 / 1852.0, 3600.0 / 1852.0, 90.0);
    assert_near(fix.north_m_s, -1.0, 1e-12);
    assert_near(fix.east_m_s, 1.0, 1e-12);
}

/* With a velocity log the track holds through a drop-out of the acoustics that would lose it otherwise. */
static void a_velocity_log_bridges(void **state)
{
    struct track with;
    struct track without;
    struct track_position p;

    (void)state;
    track_init(&with, NULL);
    track_init(&without, NULL);
    for (int t = 0; t <= 160; t++) {
        double north = t < 70 ? 0.5 * t : 35.0;      /* 0.5 m/s north, then */
        double east = t < 70 ? 0.0 : 0.5 * (t - 70); /* 0.5 m/s east, without fixes from 61 s on */
        struct track_fix fix = fix_at(t, north, east);
        fix.position_known = t <= 60 && t % 2 == 0;
        if (fix.position_known) {
            track_add(&without, &fix);
        }
        track_velocity_from_course(&fix, 0.5 * 3600.0 / 1852.0, t < 70 ? 0.0 : 90.0);
        enum track_verdict verdict = track_add(&with, &fix);
        assert_true(verdict == TRACK_ACCEPTED || verdict == TRACK_STARTED);
    }
    assert_true(track_at(&with, (mono_ns){160 * NS_PER_S}, &p));
    assert_true(off_m(&p, 35, 45) < 2.0);
    double bridged = p.uncertainty_m;
    assert_true(track_at(&without, (mono_ns){160 * NS_PER_S}, &p));
    assert_true(off_m(&p, 35, 45) > 30.0);
    assert_true(p.uncertainty_m > 10.0 * bridged);
    assert_true(off_m(&p, 35, 45) < 2.0 * p.uncertainty_m); /* and it says so */
}

static uint64_t seed = 20310304;

static double normal(void)
{
    double sum = -6.0;

    for (int i = 0; i < 12; i++) {
        seed = seed * UINT64_C(6364136223846793005) + 1442695040888963407U;
        sum += (double)(seed >> 11) / 9007199254740992.0;
    }
    return sum;
}

static void sitting_still_stays_put(void **state)
{
    enum { COUNT = 300 };
    static struct track_fix fixes[COUNT];
    static struct track_point points[COUNT];
    struct track_options options;
    struct track_distance d;
    double raw = 0.0;
    double worst = 0.0;

    (void)state;
    track_options_default(&options);
    for (int i = 0; i < COUNT; i++) {
        fixes[i] = fix_at(2.0 * i, 3.0 * normal(), 3.0 * normal());
        fixes[i].sigma_known = true;
        fixes[i].sigma_m = 3.0;
        if (i > 0) {
            raw += geo_distance_m(fixes[i - 1].lat_deg, fixes[i - 1].lon_deg, fixes[i].lat_deg,
                                  fixes[i].lon_deg);
        }
    }
    assert_int_equal(track_smooth(&options, fixes, COUNT, points), COUNT);
    for (int i = 0; i < COUNT; i++) {
        struct track_position p = {.lat_deg = points[i].lat_deg, .lon_deg = points[i].lon_deg};
        worst = fmax(worst, off_m(&p, 0, 0));
    }
    assert_true(worst < 6.0);
    assert_true(track_length(points, COUNT, fixes[0].at, fixes[COUNT - 1].at, &d));
    assert_true(d.length_m < 0.08 * raw);
}

/* ---- after the dive ---- */

static void lengths_and_their_errors(void **state)
{
    enum { COUNT = 101 };
    static struct track_fix fixes[COUNT];
    static struct track_point points[COUNT];
    struct track_options options;
    struct track_distance d;
    struct track_position p;

    (void)state;
    track_options_default(&options);
    for (int i = 0; i < COUNT; i++) {
        fixes[i] = fix_at(2.0 * i, 0.6 * i, 0.8 * i);
    }
    assert_int_equal(track_smooth(&options, fixes, COUNT, points), COUNT);
    assert_true(track_length(points, COUNT, fixes[0].at, fixes[COUNT - 1].at, &d));
    assert_near(d.length_m, 100.0, 0.6); /* fixes without noise, of which some is taken off all the same */
    assert_near(d.length_m + d.bias_m, 100.0, 0.15);
    assert_int_equal(d.points, COUNT);
    assert_near(d.bridged_m, 0.0, 0);
    /* On a straight line only the two ends count: each is known to its own sigma along the track. */
    double ends = sqrt(points[0].state.var_pos + points[COUNT - 1].state.var_pos);
    assert_near(sqrt(d.sigma_m * d.sigma_m - 0.25 * d.bias_m * d.bias_m), ends, 0.05 * ends);
    assert_true(track_length(points, COUNT, (mono_ns){51 * NS_PER_S}, (mono_ns){151 * NS_PER_S}, &d));
    assert_near(d.length_m + d.bias_m, 50.0, 0.05); /* ends between points */
    assert_true(track_point_at(points, COUNT, (mono_ns){51 * NS_PER_S}, &p));
    assert_true(off_m(&p, 15.3, 20.4) < 0.05);
    assert_near(p.speed_m_s, 0.5, 0.01);
    assert_true(track_point_at(points, COUNT, fixes[COUNT - 1].at, &p));
    assert_false(track_point_at(points, COUNT, (mono_ns){-1}, &p));
    assert_false(track_point_at(points, COUNT, (mono_ns){fixes[COUNT - 1].at.ns + 1}, &p));
    assert_false(track_length(points, COUNT, (mono_ns){500 * NS_PER_S}, (mono_ns){600 * NS_PER_S}, &d));
    assert_false(track_length(points, 0, fixes[0].at, fixes[COUNT - 1].at, &d));
    assert_false(track_length(points, 1, fixes[0].at, fixes[COUNT - 1].at, &d));
}

/* The claimed error against the spread over many noisy copies of one winding track. */
static void claimed_error_of_a_length_is_its_spread(void **state)
{
    enum { COUNT = 120, COPIES = 400 };
    static struct track_fix fixes[COUNT];
    static struct track_point points[COUNT];
    struct track_options options;
    struct track_distance d;
    double sum = 0.0;
    double squares = 0.0;
    double claimed = 0.0;

    (void)state;
    track_options_default(&options);
    for (int copy = 0; copy < COPIES; copy++) {
        for (int i = 0; i < COUNT; i++) {
            double phase = 0.05 * i;
            fixes[i] = fix_at(2.0 * i, 1.0 * i + 2.0 * normal(), 10.0 * sin(phase) + 2.0 * normal());
            fixes[i].sigma_known = true;
            fixes[i].sigma_m = 2.0;
        }
        size_t made = track_smooth(&options, fixes, COUNT, points);
        assert_true(made + 2 >= COUNT); /* two good first fixes may disagree by chance */
        assert_true(track_length(points, made, fixes[0].at, fixes[COUNT - 1].at, &d));
        sum += d.length_m;
        squares += d.length_m * d.length_m;
        claimed += d.sigma_m / COPIES;
    }
    double spread = sqrt(squares / COPIES - (sum / COPIES) * (sum / COPIES));
    printf("length of a winding track: mean %.2f m, spread %.2f m, claimed %.2f m\n", sum / COPIES, spread,
           claimed);
    assert_true(claimed > 0.8 * spread && claimed < 2.0 * spread);
}

static void runs_are_kept_apart(void **state)
{
    static struct track_fix fixes[70];
    static struct track_point points[70];
    struct track_options options;
    struct track_distance d;
    struct track_position p;
    size_t count = 0;

    (void)state;
    track_options_default(&options);
    fixes[count++] = fix_at(0, 900, 900); /* a wild first fix */
    for (int i = 1; i <= 30; i++) {
        fixes[count++] = fix_at(2.0 * i, 1.0 * i, 0);
    }
    for (int i = 0; i < 30; i++) { /* 150 s of nothing, 100 m further on */
        fixes[count++] = fix_at(210 + 2.0 * i, 130 + 1.0 * i, 0);
    }
    fixes[count] = fixes[count - 1]; /* the same again, and nonsense: no points for them */
    count++;
    fixes[count] = fix_at(400, 0, 0);
    fixes[count++].lat_deg = NAN;
    size_t made = track_smooth(&options, fixes, count, points);
    assert_int_equal(made, 60);
    assert_int_equal(points[0].verdict,
                     TRACK_RESTARTED); /* gone back to the first that agreed; the wild one has no point */
    assert_int_equal(points[0].run, 0);
    assert_int_equal(points[29].run, 0);
    assert_int_equal(points[30].verdict, TRACK_STARTED);
    assert_int_equal(points[30].run, 1);
    assert_true(track_length(points, made, (mono_ns){0}, (mono_ns){400 * NS_PER_S}, &d));
    assert_near(d.length_m + d.bias_m, 29.0 + 29.0, 0.5);
    assert_near(d.bridged_m, 100.0, 0.5);
    assert_false(track_point_at(points, made, (mono_ns){100 * NS_PER_S}, &p));
    assert_true(track_point_at(points, made, (mono_ns){211 * NS_PER_S}, &p));
}

/* Over two runs, from and to any instant: in the range bit for bit what the whole has there. */
static void a_part_is_as_in_the_whole(void **state)
{
    enum { COUNT = 120 };
    static struct track_fix fixes[COUNT];
    static struct track_point whole[COUNT], part[COUNT];
    struct track_options options;

    (void)state;
    track_options_default(&options);
    for (int i = 0; i < COUNT; i++) {
        fixes[i] = fix_at(2.0 * i + (i < 60 ? 0 : 150), 1.0 * i + normal(), normal());
    }
    size_t made = track_smooth(&options, fixes, COUNT, whole);
    for (int from_s = -1; from_s < 400; from_s += 13) {
        for (int to_s = from_s; to_s < 430; to_s += 7) {
            mono_ns from = {from_s * NS_PER_S}, to = {to_s * NS_PER_S};
            assert_int_equal(track_smooth_part(&options, fixes, COUNT, from, to, part), made);
            for (size_t i = 0; i < made; i++) {
                assert_int_equal(part[i].at.ns, whole[i].at.ns);
                assert_int_equal(part[i].run, whole[i].run);
                if (whole[i].at.ns < from.ns || whole[i].at.ns > to.ns) {
                    continue;
                }
                assert_true(part[i].lat_deg == whole[i].lat_deg && part[i].lon_deg == whole[i].lon_deg);
                assert_true(part[i].uncertainty_m == whole[i].uncertainty_m);
                assert_true(part[i].north_m_s == whole[i].north_m_s);
            }
        }
    }
}

static void across_the_date_line(void **state)
{
    static struct track_fix fixes[50];
    static struct track_point points[50];
    struct track_options options;
    struct track_distance d;

    (void)state;
    track_options_default(&options);
    for (int i = 0; i < 50; i++) {
        double lon = 179.9999 + 1e-5 * i;
        fixes[i] = fix_at(2.0 * i, 0, 0);
        fixes[i].lat_deg = 36.7;
        fixes[i].lon_deg = lon >= 180.0 ? lon - 360.0 : lon;
    }
    assert_int_equal(track_smooth(&options, fixes, 50, points), 50);
    assert_true(track_length(points, 50, fixes[0].at, fixes[49].at, &d));
    assert_near(d.length_m + d.bias_m, geo_distance_m(36.7, 179.9999, 36.7, 180.00039), 0.2);
    for (int i = 0; i < 50; i++) {
        assert_true(points[i].lon_deg >= -180.0 && points[i].lon_deg < 180.0);
    }
}

/* ---- for other readers ---- */

/* Input: q gate, then lines of seconds lat lon sigma. Output: seconds, plane north east and velocities, variances, lat, lon. */
static int smooth_stream(void)
{
    enum { MOST = 20000 };
    static struct track_fix fixes[MOST];
    static struct track_point points[MOST];
    struct track_options options;
    size_t count = 0;
    double seconds;
    struct track_fix fix = {.position_known = true, .sigma_known = true};

    track_options_default(&options);
    if (scanf("%lf %lf", &options.acceleration_psd, &options.gate) != 2) {
        return 2;
    }
    while (count < MOST &&
           scanf("%lf %lf %lf %lf", &seconds, &fix.lat_deg, &fix.lon_deg, &fix.sigma_m) == 4) {
        fix.at.ns = (int64_t)llround(seconds * 1e9);
        fixes[count++] = fix;
    }
    size_t made = track_smooth(&options, fixes, count, points);
    for (size_t i = 0; i < made; i++) {
        const struct kalman_state *s = &points[i].state;
        printf("%.9f %.12f %.12f %.12f %.12f %.15g %.15g %.15g %.12f %.12f %d\n",
               (double)points[i].at.ns / 1e9, s->north_m, s->east_m, s->north_m_s, s->east_m_s, s->var_pos,
               s->cov, s->var_vel, points[i].lat_deg, points[i].lon_deg, points[i].verdict == TRACK_OUTLIER);
    }
    return 0;
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(smoother_meets_the_worked_example),
        cmocka_unit_test(a_straight_line_is_followed_and_carried_on),
        cmocka_unit_test(looking_back_equals_the_smoother),
        cmocka_unit_test(outliers_are_left_out),
        cmocka_unit_test(outliers_in_a_row_mean_the_filter_was_wrong),
        cmocka_unit_test(a_wild_first_fix_does_not_last),
        cmocka_unit_test(a_drop_out_starts_anew),
        cmocka_unit_test(what_cannot_be_is_refused),
        cmocka_unit_test(noise_is_the_fixs_own_or_a_share_of_depth),
        cmocka_unit_test(velocity_comes_in_either_form),
        cmocka_unit_test(a_velocity_log_bridges),
        cmocka_unit_test(sitting_still_stays_put),
        cmocka_unit_test(lengths_and_their_errors),
        cmocka_unit_test(claimed_error_of_a_length_is_its_spread),
        cmocka_unit_test(runs_are_kept_apart),
        cmocka_unit_test(a_part_is_as_in_the_whole),
        cmocka_unit_test(across_the_date_line),
    };

    if (argc > 1 && strcmp(argv[1], "--smooth") == 0) {
        return smooth_stream();
    }
    return cmocka_run_group_tests(tests, NULL, NULL);
}
