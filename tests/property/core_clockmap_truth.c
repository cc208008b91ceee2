/*
 * The claim that matters: the true instant of a press lies inside the interval given for it, every time. Random keypads on random hosts:
 * ceramic resonators up to 5,000 ppm off with temperature swings, a host clock that is steered, serial adapters that batch for nothing, 1 or
 * 16 ms, paths up to 16 ms longer one way than the other, lost pings, outages, pongs read in one batch, a host that stalls, pads whose clock
 * steps, 32-bit timers that wrap. Presses are asked for as they arrive, late, and from before the first ping.
 *
 * Default: a small count. BELLROPE_LONG=1: 2,400 rigs and over 2,000,000 presses.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "bellrope/wire.h"
#include "core/clockmap.h"
#include "core_sim.h"

#define MS 1e6L
#define S 1e9L
#define BAUD 115200
/* As the engine does it: eight pings after HELLO, then two a second, each sent when its timer is due. */
#define PING_BURST 8
#define PING_BURST_EVERY (60 * MS)
#define PING_EVERY (500 * MS)

enum timer { TIMER_NONE, TIMER_1MS, TIMER_16MS, TIMERS };
/*
 * Asked at once and heard within 3 s: on a quiet path whose timer runs freely (as FTDI describes its own), on one whose timer starts at the
 * first byte (always the whole time late), on one that loses pings or whose host is busy, on one with a fixed asymmetry. Then: asked
 * later, or from before the first ping; asked at once but not heard for longer.
 */
enum contact { QUIET, FROM_BYTE, TROUBLED, LOPSIDED, LATER, APART, CONTACTS };

static const char *const timer_names[] = {"none", "1 ms", "16 ms"};
static const char *const contact_names[] = {"quiet",
                                            "quiet, timer from a byte",
                                            "busy or losing pings",
                                            "one way 0-16 ms longer",
                                            "asked later",
                                            "out of contact"};

static struct sim_tally bound_us[TIMERS][CONTACTS], error_us[TIMERS][CONTACTS];
static uint64_t presses, outside, unknown, unanswerable;

struct rig {
    enum timer timer;
    bool restarting; /* the latency timer runs from the first byte, not freely */
    bool lopsided, busy;
    long double out_extra, back_extra, usb_phase;
    double loss;
    struct sim_clock *clock;
    long double length;  /* ns of host time simulated */
    long double step_at; /* host time of the pad's step, or beyond the end */
    int64_t step_ticks;
    int64_t first_tick;
    uint32_t raw; /* the pad's own 32-bit timer as last read, and its extension */
    int64_t extended;
    struct clockmap map;
    uint32_t steps_seen;
    long double last_pong;
};

struct pong {
    int64_t sent, received, replied;
    long double got;
};

/* The pad's tick at host time b: a 32-bit timer, extended by the pad as it looks at it. */
static int64_t pad_tick_at(struct rig *rig, long double b)
{
    long double ticks = sim_x_at(rig->clock, b) / 1000;
    int64_t exact = rig->first_tick + (int64_t)floorl(ticks) + (b >= rig->step_at ? rig->step_ticks : 0);
    int32_t moved = (int32_t)((uint32_t)exact - rig->raw);
    rig->extended += moved;
    rig->raw = (uint32_t)exact;
    if (b >= rig->step_at && rig->extended != exact)
        rig->extended = exact; /* a step is more than the timer can show */
    assert_int_equal(rig->extended, exact);
    return rig->extended;
}

/* The host time at which the pad's counter passed a tick (before or after its step). */
static long double truth_of(const struct rig *rig, int64_t tick, bool stepped)
{
    return sim_b_at(rig->clock,
                    (long double)(tick - rig->first_tick - (stepped ? rig->step_ticks : 0)) * 1000, NULL);
}

static long double host_delay(const struct rig *rig)
{
    long double d = sim_between(0.005, 0.08) * MS;
    if (rig->busy)
        d += sim_exponential(0.7) * MS + (sim_chance(0.05) ? sim_between(5, 200) * MS : 0);
    return d;
}

/* When what left the pad at b is handed to the host's driver. */
static long double adapter(const struct rig *rig, long double b)
{
    if (rig->timer == TIMER_NONE)
        return b + sim_between(0, 0.125) * MS;
    const long double period = rig->timer == TIMER_1MS ? 1 * MS : 16 * MS;
    if (rig->restarting)
        return b + period;
    return (floorl((b - rig->usb_phase) / period) + 1) * period + rig->usb_phase;
}

static bool ping(struct rig *rig, long double at, struct pong *pong)
{
    const long double byte = 10 * S / BAUD, fast = 1 + sim_between(-0.025, 0.025);
    pong->sent = (int64_t)floorl(at);
    long double arrival = at + host_delay(rig) + sim_between(0, rig->timer == TIMER_NONE ? 0.125 : 0.5) * MS +
                          (long double)wire_frame_bytes(WIRE_PING) * byte / fast + rig->out_extra;
    long double read = arrival + sim_between(0.002, 0.3) * MS;
    long double reply = read + sim_between(0.002, 0.4) * MS;
    /* The pad's stamps: not before the ping was in, not after the pong began to leave; its timer counts in fours. */
    pong->received = pad_tick_at(rig, read) & ~INT64_C(3);
    pong->replied = pad_tick_at(rig, reply) & ~INT64_C(3);
    long double queue = sim_chance(0.1) ? sim_between(0, 5) * MS : 0;
    long double last_byte =
        reply + queue + (long double)wire_frame_bytes(WIRE_PONG) * byte / fast + rig->back_extra;
    pong->got = ceill(adapter(rig, last_byte) + host_delay(rig));
    return !sim_chance(rig->loss);
}

static void take(struct rig *rig, const struct pong *pong)
{
    const int64_t out = clockmap_wire_ns((uint32_t)wire_frame_bytes(WIRE_PING), BAUD),
                  back = clockmap_wire_ns((uint32_t)wire_frame_bytes(WIRE_PONG), BAUD);
    enum clockmap_result result =
        clockmap_two_way(&rig->map, pong->sent, pong->received, pong->replied, (int64_t)pong->got, out, back);
    assert_int_not_equal(result, CLOCKMAP_REJECTED);
    rig->steps_seen += result == CLOCKMAP_STEP;
    rig->last_pong = pong->got;
}

static void check(struct rig *rig, int64_t tick, long double pressed, bool stepped, enum contact contact)
{
    struct clockmap_interval got;
    if (!clockmap_at(&rig->map, tick, &got)) {
        unknown++;
        return;
    }
    const long double truth = truth_of(rig, tick, stepped);
    presses++;
    if (truth < (long double)got.lo - 1e-3L || truth > (long double)got.hi + 1e-3L) {
        outside++;
        print_message("outside: tick %lld, %.0Lf ns below, %.0Lf ns above, width %.0f\n", (long long)tick,
                      (long double)got.lo - truth, truth - (long double)got.hi, (double)(got.hi - got.lo));
    }
    sim_note(&bound_us[rig->timer][contact], (double)clockmap_half(got) / 1000);
    sim_note(&error_us[rig->timer][contact],
             (double)fabsl((long double)clockmap_middle(got) - pressed) / 1000);
}

struct press {
    long double at, asked;
    int64_t tick;
    bool stepped, later;
};

static int by_asked(const void *a, const void *b)
{
    const struct press *p = a, *q = b;
    return (p->asked > q->asked) - (p->asked < q->asked);
}

static int by_time(const void *a, const void *b)
{
    const long double *p = a, *q = b;
    return (*p > *q) - (*p < *q);
}

/* Key presses in bursts, over the whole life of the pad; a fifth of them waits in the pad before it is asked for. */
static int make_presses(struct rig *rig, struct press *press, int count)
{
    static long double at[8192];
    for (int i = 0; i < count; i++)
        at[i] = i > 0 && sim_chance(0.5) ? at[i - 1] + sim_exponential(1) * S
                                         : sim_between(0.0, (double)rig->length);
    qsort(at, (size_t)count, sizeof at[0], by_time);
    int made = 0;
    for (int i = 0; i < count && at[i] < rig->length; i++) {
        struct press *p = &press[made++];
        p->at = at[i];
        p->stepped = at[i] >= rig->step_at;
        p->tick = pad_tick_at(rig, at[i]);
        p->later = sim_chance(0.2);
        p->asked = at[i] + (p->later ? sim_exponential(120) * S : sim_between(2, 40) * MS);
    }
    qsort(press, (size_t)made, sizeof press[0], by_asked);
    return made;
}

/* Pings twice a second after a burst; sometimes the link is down. Pongs come out in order of their arrival. */
static int make_pongs(struct rig *rig, struct pong *pong, int room)
{
    int made = 0, sent = 0;
    long double at = sim_between(0, 30) * S, latest = 0;
    while (at < rig->length && made < room) {
        struct pong one;
        if (ping(rig, at, &one)) {
            if (one.got < latest)
                one.got = latest; /* read in one batch with the one before */
            latest = one.got;
            pong[made++] = one;
        }
        at += ++sent < PING_BURST ? PING_BURST_EVERY : PING_EVERY;
        if (sim_chance(0.003)) {
            at += sim_exponential(40) * S;
            sent = 0;
        }
    }
    return made;
}

static void make_rig(struct rig *rig, int number, struct sim_clock *clock)
{
    memset(rig, 0, sizeof *rig);
    rig->timer = (enum timer)(number % TIMERS);
    rig->restarting = rig->timer != TIMER_NONE && sim_chance(0.3);
    rig->lopsided = sim_chance(0.35);
    rig->busy = sim_chance(0.25);
    if (rig->lopsided)
        *(sim_chance(0.5) ? &rig->out_extra : &rig->back_extra) = sim_between(0, 16) * MS;
    rig->usb_phase = sim_between(0, 16) * MS;
    rig->loss = sim_chance(0.5) ? 0 : sim_between(0, 0.5);
    rig->length = sim_between(300, 1500) * S;
    rig->clock = clock;
    const struct sim_model model = {6000e-6, 10e-6, 3000e-6, 50e-6};
    sim_clock_make(clock, &model, sim_between(-5000e-6, 5000e-6), -10 * S, rig->length * 1.02L + 100 * S, 0,
                   sim_chance(0.3));
    rig->step_at = rig->length * 10;
    if (sim_chance(0.1)) {
        rig->step_at = sim_between(0.2, 0.8) * rig->length;
        rig->step_ticks = (sim_chance(0.5) ? 1 : -1) * (int64_t)sim_between(2e6, 2e9);
    }
    /* Some counters are close to where 32 bits wrap, some far up in their 48. */
    rig->first_tick = sim_chance(0.5) ? (INT64_C(1) << 32) - (int64_t)sim_between(0, 3e8)
                                      : (int64_t)sim_between(3e9, 0x1p47);
    rig->raw = (uint32_t)rig->first_tick;
    rig->extended = rig->first_tick;
    const struct clockmap_params params = clockmap_params_pad();
    assert_int_equal(clockmap_init(&rig->map, &params), 0);
}

static enum contact contact_of(const struct rig *rig, const struct press *press)
{
    if (press->later)
        return LATER;
    if (rig->map.count < 8 || press->asked - rig->last_pong > 3 * S)
        return APART;
    if (rig->lopsided)
        return LOPSIDED;
    if (rig->busy || rig->loss > 0)
        return TROUBLED;
    return rig->restarting ? FROM_BYTE : QUIET;
}

static void run_rig(int number, int press_count)
{
    static struct rig rig;
    static struct sim_clock clock;
    static struct press press[8192];
    static struct pong pong[8192];
    make_rig(&rig, number, &clock);
    const int pongs = make_pongs(&rig, pong, 8192);
    rig.raw = (uint32_t)rig.first_tick;
    rig.extended = rig.first_tick;
    const int made = make_presses(&rig, press, press_count);
    int next = 0;
    bool expects_step = false, stepped = false;
    for (int i = 0; i < made; i++) {
        for (; next < pongs && pong[next].got <= press[i].asked; next++) {
            const bool after = (long double)pong[next].sent >= rig.step_at;
            const bool straddles = !after && pong[next].got >= rig.step_at;
            if (straddles)
                continue; /* its two stamps may belong to two clocks: such a ping is lost */
            expects_step = expects_step || (after && rig.map.count > 0 && !stepped);
            stepped = after;
            take(&rig, &pong[next]);
        }
        /* A clock that has stepped unseen, or an instant of the clock before: no map of one clock can know. */
        if (press[i].stepped != stepped) {
            unanswerable++;
            continue;
        }
        check(&rig, press[i].tick, press[i].at, press[i].stepped, contact_of(&rig, &press[i]));
    }
    assert_int_equal(rig.steps_seen, expects_step ? 1 : 0);
}

static void truth_is_inside(void **state)
{
    (void)state;
    const int rigs = sim_long() ? 2400 : 200, each = sim_long() ? 1200 : 400;
    sim_begin("core_clockmap_truth");
    for (int i = 0; i < rigs; i++)
        run_rig(i, each);
    print_message(
        "%d rigs, %llu presses checked, %llu outside; %llu unknown (no ping yet), %llu across a step\n", rigs,
        (unsigned long long)presses, (unsigned long long)outside, (unsigned long long)unknown,
        (unsigned long long)unanswerable);
    print_message("%-6s %-24s %9s | %-26s | %-26s\n", "timer", "case", "presses", "bound ms: p50  p99  max",
                  "error ms: p50  p99  max");
    for (int t = 0; t < TIMERS; t++)
        for (int c = 0; c < CONTACTS; c++) {
            const struct sim_tally *b = &bound_us[t][c], *e = &error_us[t][c];
            print_message("%-6s %-24s %9llu | %8.3f %8.3f %8.2f | %8.3f %8.3f %8.2f\n", timer_names[t],
                          contact_names[c], (unsigned long long)b->count, sim_quantile_ms(b, 0.5),
                          sim_quantile_ms(b, 0.99), b->max / 1000, sim_quantile_ms(e, 0.5),
                          sim_quantile_ms(e, 0.99), e->max / 1000);
        }
    assert_int_equal(outside, 0);
    assert_true(presses > (sim_long() ? 2000000u : 10000u));
    assert_true(sim_quantile_ms(&bound_us[TIMER_1MS][QUIET], 0.99) <= 1.0);
    assert_true(sim_quantile_ms(&error_us[TIMER_1MS][QUIET], 0.99) <= 0.5);
    assert_true(sim_quantile_ms(&bound_us[TIMER_16MS][QUIET], 0.99) <= 9.0);
}

/* The test can fail: a map told that its clock is better than it is must be caught out. */
static void a_false_model_is_caught(void **state)
{
    (void)state;
    static struct sim_clock clock;
    struct clockmap map;
    const struct sim_model model = {6000e-6, 10e-6, 3000e-6, 50e-6};
    struct clockmap_params params = clockmap_params_pad();
    params.rate_ppb = 1000000;
    params.slew_ppb = 0;
    clockmap_init(&map, &params);
    sim_clock_make(&clock, &model, 3000e-6, 0, 100 * S, 0, false);
    int64_t b = (int64_t)sim_b_at(&clock, 10 * S, NULL);
    clockmap_add(&map, 10000000, b - 500000, b + 500000);
    struct clockmap_interval got;
    assert_true(clockmap_at(&map, 20000000, &got));
    assert_true((double)got.hi < (double)sim_b_at(&clock, 20 * S, NULL));
    b = (int64_t)sim_b_at(&clock, 20 * S, NULL);
    assert_int_equal(clockmap_add(&map, 20000000, b - 500000, b + 500000), CLOCKMAP_STEP);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(truth_is_inside),
                                       cmocka_unit_test(a_false_model_is_caught)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
