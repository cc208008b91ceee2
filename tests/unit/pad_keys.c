/*
 * From contacts to presses. Every script is replayed under smooth and jumpy time, at several scan rates, from odd starts: the
 * presses must not depend on any of them.
 *
 * Bounce figures: J. Ganssle, "A Guide to Debouncing" (2004): mean 1.6 ms, worst of 18 switch types 6.2 ms; one type that bounced for 157 ms
 * with 81 ms closed and 42 ms open in it.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

#include "unit/pad_bench.h"

typedef void script(struct bench *b, uint64_t t, const struct bench_pace *pace);

static void replay(script *run, bool latch, bool diodes)
{
    for (unsigned i = 0; i < BENCH_PACES; i++) {
        struct bench b;
        print_message("pace %u us%s from %llu\n", bench_paces[i].period_us,
                      bench_paces[i].jumpy ? ", jumpy" : "", (unsigned long long)bench_paces[i].start_us);
        bench_init(&b, 77 + i, bench_paces[i].start_us, bench_paces[i].period_us, bench_paces[i].jumpy);
        b.board.touched = latch ? bench_touched : NULL;
        b.board.diodes = diodes;
        bench_run(&b, 300000); /* boot id on record, link up */
        run(&b, b.now_us, &bench_paces[i]);
        bench_free(&b);
    }
}

static void expect_bounds(const struct bench *b, unsigned i, uint64_t true_us)
{
    const struct wire_press *press = &b->got[i].press;
    assert_true(true_us + press->before_us >= press->tick_us);
    assert_true(true_us <= press->tick_us + press->after_us);
}

static void clean_press(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    bench_press(b, t + 10123, 5, 0, 80000);
    bench_run(b, 500000);
    assert_int_equal(b->gots, 1);
    assert_int_equal(b->got[0].arrivals, 1);
    assert_int_equal(b->got[0].press.key, 5);
    assert_int_equal(b->got[0].press.gesture, WIRE_DOWN);
    assert_int_equal(b->got[0].press.seq, 1);
    assert_int_equal(b->got[0].press.of_seq, 0);
    expect_bounds(b, 0, t + 10123);
}

static void one_press_whatever_the_scan_rate(void **state)
{
    (void)state;
    replay(clean_press, true, false);
    replay(clean_press, false, true);
}

static void bouncing_press(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    static const uint32_t bounce_us[] = {300, 1600, 6200};
    for (unsigned i = 0; i < 3; i++) {
        uint64_t at = t + 10123 + i * 500000;
        bench_press(b, at, (uint8_t)(3 + i), bounce_us[i], 120000);
    }
    bench_run(b, 1700000);
    assert_int_equal(b->gots, 3);
    for (unsigned i = 0; i < 3; i++) {
        assert_int_equal(b->got[i].press.key, 3 + i);
        assert_int_equal(b->got[i].press.seq, 1 + i);
        expect_bounds(b, i, t + 10123 + i * 500000);
    }
}

static void bounce_makes_one_press_stamped_at_its_first_contact(void **state)
{
    (void)state;
    replay(bouncing_press, true, false);
    replay(bouncing_press, false, false);
}

static void latched_press(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    /* The first touch lasts 30 us: most scans miss it. The latch does not. */
    bench_edge_at(b, t + 20011, 9, true);
    bench_edge_at(b, t + 20041, 9, false);
    bench_edge_at(b, t + 22011, 9, true);
    bench_edge_at(b, t + 90000, 9, false);
    bench_run(b, 400000);
    assert_int_equal(b->gots, 1);
    assert_int_equal(b->got[0].press.tick_us, t + 20011);
    assert_int_equal(b->got[0].press.before_us, 0);
}

static void a_touch_too_short_for_the_scan_is_still_the_stamp(void **state)
{
    (void)state;
    replay(latched_press, true, false);
}

static void spike_then_press(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    bench_edge_at(b, t + 20000, 9, true); /* noise, or the first touch: who can tell */
    bench_edge_at(b, t + 20020, 9, false);
    bench_press(b, t + 24000, 9, 0, 80000);
    bench_run(b, 500000);
    assert_int_equal(b->gots, 1);
    expect_bounds(b, 0, t + 20000);
    expect_bounds(b, 0, t + 24000);
}

static void spike_then_press_that_is_told(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    b->board.moved = bench_moved;
    spike_then_press(b, t, pace);
}

/* Bounce all the way: the first touch is the stamp, and the bound is no wider for it. */
static void bounce_that_is_told(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    b->board.moved = bench_moved;
    for (unsigned i = 0; i < 15; i++) { /* 100 us closed, 300 us open */
        bench_edge_at(b, t + 20000 + i * 400, 9, true);
        bench_edge_at(b, t + 20100 + i * 400, 9, false);
    }
    bench_edge_at(b, t + 26000, 9, true);
    bench_edge_at(b, t + 90000, 9, false);
    bench_run(b, 500000);
    assert_int_equal(b->gots, 1);
    assert_int_equal(b->got[0].press.tick_us, t + 20000);
    assert_true((pace->jumpy ? 5 : 1) * pace->period_us > 900 || b->got[0].press.after_us == 0);
}

static void a_spike_just_before_a_press_widens_the_bound(void **state)
{
    (void)state;
    replay(spike_then_press, true, false);
    replay(spike_then_press_that_is_told, true, false);
    replay(bounce_that_is_told, true, false);
    replay(spike_then_press, false, false);
}

/* The next press begins just as the scan goes to sleep after the last one: somewhere its first touch falls into the last turn. */
static void press_at_bedtime(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)t;
    for (unsigned i = 0; i < 60; i++) {
        unsigned before = b->gots;
        uint64_t first = b->now_us + 1000;
        uint64_t rest = first + 50000 + 20000 + 2 * pace->period_us; /* open for the lockout */
        uint64_t second = rest - 3 * pace->period_us + i * pace->period_us / 10;
        bench_press(b, first, 9, 0, 50000);
        bench_edge_at(b, second, 4, true);
        bench_edge_at(b, second + 30, 4, false);
        bench_edge_at(b, second + 700, 4, true);
        bench_edge_at(b, second + 50000, 4, false);
        bench_run(b, 300000);
        assert_int_equal(b->gots, before + 2);
        expect_bounds(b, before, first);
        expect_bounds(b, before + 1, second);
    }
}

/* The same with a bounce of touches that only the latch sees, before, in and after the turn in which the last key comes to rest. */
static void bounce_at_bedtime(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)t;
    for (unsigned i = 0; i < 100; i++) {
        unsigned before = b->gots;
        uint64_t first = b->now_us + 1000;
        uint64_t rest = first + 50000 + 20000 + 2 * pace->period_us;
        uint64_t second = rest - 5 * pace->period_us + i * pace->period_us / 10;
        bench_press(b, first, 9, 0, 50000);
        for (unsigned touch = 0; touch < 4; touch++) {
            uint64_t at = second + touch * pace->period_us * 7 / 10;
            bench_edge_at(b, at, 4, true);
            bench_edge_at(b, at + 5, 4, false);
        }
        bench_edge_at(b, second + 3 * pace->period_us, 4, true);
        bench_edge_at(b, second + 50000, 4, false);
        bench_run(b, 300000);
        assert_int_equal(b->gots, before + 2);
        expect_bounds(b, before, first);
        expect_bounds(b, before + 1, second);
    }
}

/* A spike, and a press after it has been forgotten, or in the very turn in which it is: the press has its own stamp. */
static void press_after_a_forgotten_spike(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)t;
    for (unsigned i = 0; i < 40; i++) {
        unsigned before = b->gots;
        uint64_t spike = b->now_us + 1003; /* between two turns: the latch alone sees it */
        uint64_t press = spike + KEYS_FORGET_US + i * pace->period_us / 20;
        bench_edge_at(b, spike, 4, true);
        bench_edge_at(b, spike + 1, 4, false);
        bench_press(b, press, 4, 0, 50000);
        bench_run(b, 7900);
        assert_int_equal(b->gots, before);
        bench_run(b, 300000);
        assert_int_equal(b->gots, before + 1);
        assert_int_equal(b->got[before].press.tick_us, press);
    }
    bench_edge_at(b, b->now_us + 1000, 4, true);
    bench_edge_at(b, b->now_us + 1030, 4, false);
    bench_run(b, 30000);
    assert_false(b->pad.keys.awake); /* and the scan does not stay up for nothing */
}

static void a_touch_as_the_scan_goes_to_sleep_counts(void **state)
{
    (void)state;
    replay(press_at_bedtime, true, false);
    replay(bounce_at_bedtime, true, false);
    replay(press_after_a_forgotten_spike, true, false);
}

/* The contact closes and opens again between the turn's tick and the look at the latch: the latch's instant is ahead of the tick. */
static bool touched_ahead(void *ctx, uint64_t *tick_us)
{
    struct bench *b = ctx;
    const struct bench_edge *edge = &b->edge[b->edge_at];
    bool brief = b->edge_at + 1 < b->edges && edge[1].tick_us == edge->tick_us + 20;
    if (brief && edge->tick_us <= b->now_us + 40) {
        *tick_us = edge->tick_us;
        b->edge_at += 2;
        return true;
    }
    return bench_touched(ctx, tick_us);
}

static void touch_ahead(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    b->board.touched = touched_ahead;
    b->board.scan_us = 200;
    for (unsigned i = 0; i < 200; i++) { /* somewhere it falls just behind a tick */
        uint64_t at = b->now_us + 2000 + i;
        bench_edge_at(b, at, 9, true);
        bench_edge_at(b, at + 20, 9, false);
        bench_edge_at(b, at + 1500, 9, true);
        bench_edge_at(b, at + 60000, 9, false);
        bench_run(b, 150000);
        assert_int_equal(b->gots, i + 1);
        expect_bounds(b, i, at);
    }
    (void)t;
}

static void a_touch_ahead_of_the_turns_tick_counts(void **state)
{
    (void)state;
    replay(touch_ahead, true, false);
}

static void spikes(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    uint64_t at = t + 5000;
    /* Shorter than 3 ms, alone, and in trains with gaps that the scan can see. */
    unsigned turn_us = (pace->jumpy ? 5 : 1) * pace->period_us;
    unsigned trains = turn_us <= 1250 ? 400 : 0;
    for (unsigned us = 50; us <= 2900; us += 190) {
        bench_edge_at(b, at, 2, true);
        bench_edge_at(b, at + us, 2, false);
        at += 30000;
    }
    for (unsigned i = 0; i < trains; i++) {
        unsigned us = 100 + i % 7 * 300;
        bench_edge_at(b, at, 2, true);
        bench_edge_at(b, at + us, 2, false);
        at += us + 100 + (us > turn_us ? us : turn_us);
    }
    bench_run(b, at - t + 100000);
    assert_int_equal(b->gots, 0);
    assert_int_equal(pad_waiting(&b->pad), 0);
    /* And the key still works. */
    uint64_t true_us = b->now_us + 1777;
    bench_press(b, true_us, 2, 1600, 70000);
    bench_run(b, 400000);
    assert_int_equal(b->gots, 1);
    expect_bounds(b, 0, true_us);
}

static void chatter_shorter_than_a_press_never_makes_one(void **state)
{
    (void)state;
    replay(spikes, true, false);
    replay(spikes, false, false);
}

static void fine_chatter(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    b->board.moved = bench_moved;
    /* Gaps far too short for the scan, and a third of the time closed: without the hint some would look like a press. */
    uint64_t at = t + 5000;
    for (unsigned train = 0; train < 300; train++) {
        unsigned us = 60 + bench_random(b) % 300;
        for (unsigned i = 0; i < 12; i++) {
            bench_edge_at(b, at, 2, true);
            bench_edge_at(b, at + us, 2, false);
            at += 3 * us;
        }
        at += 20000;
    }
    bench_run(b, at - t + 50000);
    assert_int_equal(b->gots, 0);
    /* A press on a line with noise of the same kind still is one. */
    at = b->now_us + 1777;
    bench_edge_at(b, at, 2, true);
    for (unsigned i = 1; i < 60; i++) {
        bench_edge_at(b, at + i * 1000, 2, false);
        bench_edge_at(b, at + i * 1000 + 5, 2, true);
    }
    bench_edge_at(b, at + 60000, 2, false);
    bench_run(b, 400000);
    assert_int_equal(b->gots, 1);
}

static void a_board_that_tells_of_movement_sees_through_fine_chatter(void **state)
{
    (void)state;
    replay(fine_chatter, true, false);
}

static void outlier(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    struct wire_message message = {.type = WIRE_SETTINGS};
    message.u.settings.lockout_ms = 60;
    bench_tell(b, &message);
    bench_run(b, 20000);
    t = b->now_us;
    bench_edge_at(b, t + 5000, 7, true); /* 81 ms closed, 42 ms open, closed for good */
    bench_edge_at(b, t + 86000, 7, false);
    bench_edge_at(b, t + 128000, 7, true);
    bench_edge_at(b, t + 400000, 7, false);
    bench_run(b, 700000);
    assert_int_equal(b->gots, 1);
}

static void a_longer_lockout_tames_the_worst_published_switch(void **state)
{
    (void)state;
    replay(outlier, true, false);
}

static void double_tap(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    bench_press(b, t + 5000, 1, 1600, 50000);
    bench_press(b, t + 105000, 1, 1600, 50000);
    bench_run(b, 500000);
    assert_int_equal(b->gots, 2);
    expect_bounds(b, 0, t + 5000);
    expect_bounds(b, 1, t + 105000);
}

static void two_quick_taps_are_two_presses(void **state)
{
    (void)state;
    replay(double_tap, true, false);
    replay(double_tap, false, true);
}

static void hold(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    bench_press(b, t + 5000, 11, 1600, 590000); /* just too short */
    bench_press(b, t + 1005000, 11, 1600, 900000);
    bench_run(b, 2300000);
    assert_int_equal(b->gots, 3);
    assert_int_equal(b->got[0].press.gesture, WIRE_DOWN);
    assert_int_equal(b->got[1].press.gesture, WIRE_DOWN);
    assert_int_equal(b->got[2].press.gesture, WIRE_HOLD);
    assert_int_equal(b->got[2].press.key, 11);
    assert_int_equal(b->got[2].press.of_seq, b->got[1].press.seq);
    assert_int_equal(b->got[2].press.tick_us, b->got[1].press.tick_us + 600000);
    /* The key-down was told at once, not after the hold. */
    assert_true(b->got[1].first_us < t + 1005000 + 60000);
}

static void a_hold_follows_its_key_down(void **state)
{
    (void)state;
    replay(hold, true, false);
    replay(hold, false, false);
}

static void chord(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    bench_press(b, t + 5000, 0, 1600, 200000);
    bench_press(b, t + 5000 + 60000, 5, 1600, 200000); /* together */
    bench_press(b, t + 1005000, 0, 1600, 400000);
    bench_press(b, t + 1005000 + 160000, 5, 1600, 100000); /* too late to be one */
    bench_run(b, 2000000);
    assert_int_equal(b->gots, 4);
    assert_int_equal(b->got[0].press.gesture, WIRE_DOWN);
    assert_int_equal(b->got[1].press.gesture, WIRE_CHORD);
    assert_int_equal(b->got[1].press.key, 5);
    assert_int_equal(b->got[1].press.of_seq, b->got[0].press.seq);
    assert_int_equal(b->got[2].press.gesture, WIRE_DOWN);
    assert_int_equal(b->got[3].press.gesture, WIRE_DOWN);
    expect_bounds(b, 1, t + 65000);
    expect_bounds(b, 3, t + 1165000);
}

static void two_keys_together_are_a_chord(void **state)
{
    (void)state;
    replay(chord, true, false);
    replay(chord, false, true);
}

static void same_instant(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    bench_press(b, t + 5000, 3, 5000, 200000);
    bench_press(b, t + 5000, 12, 300, 200000);
    bench_run(b, 600000);
    assert_int_equal(b->gots, 2);
    assert_int_equal(b->got[0].press.gesture + b->got[1].press.gesture, WIRE_DOWN + WIRE_CHORD);
    expect_bounds(b, 0, t + 5000);
    expect_bounds(b, 1, t + 5000);
}

static void two_keys_at_one_instant_are_one_chord(void **state)
{
    (void)state;
    replay(same_instant, true, false);
    replay(same_instant, false, false);
}

static void ghost(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    /* A1 and A2 are held; B1 comes down, and without diodes B2 seems to. Neither can be told from the other. */
    bench_press(b, t + 5000, 0, 0, 1400000);
    bench_press(b, t + 305000, 1, 0, 1100000);
    bench_press(b, t + 605000, 4, 1600, 300000);
    bench_run(b, 2500000);
    unsigned of_row_b = 0;
    for (unsigned i = 0; i < b->gots; i++) {
        of_row_b += b->got[i].press.key >= 4;
    }
    if (b->board.diodes) {
        assert_int_equal(of_row_b, 1);
        assert_int_equal(b->faults, 0);
        return;
    }
    assert_int_equal(of_row_b, 0);
    assert_int_equal(b->fault.code, WIRE_FAULT_GHOST);
    assert_int_equal(b->fault.active, 0);
    assert_int_equal(b->fault.count, 2);
    assert_true(b->lamp_seen[PAD_LAMP_RED] > 0);
    assert_int_equal(b->pong.faults, 0);
    /* When all are up, the refused key works again. */
    unsigned before = b->gots;
    bench_press(b, b->now_us + 5000, 4, 1600, 100000);
    bench_run(b, 400000);
    assert_int_equal(b->gots, before + 1);
    assert_int_equal(b->got[before].press.key, 4);
}

static void a_ghost_is_refused_and_said(void **state)
{
    (void)state;
    replay(ghost, true, false);
    replay(ghost, false, false);
    replay(ghost, true, true);
}

static void three_at_once(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    bench_press(b, t + 5000, 0, 0, 200000);
    bench_press(b, t + 5000, 1, 0, 200000);
    bench_press(b, t + 5000, 4, 0, 200000);
    bench_run(b, 900000);
    assert_int_equal(b->gots, 0);
    assert_true(b->faults >= 1);
}

static void three_corners_at_once_make_no_press(void **state)
{
    (void)state;
    replay(three_at_once, true, false);
}

static void stuck(struct bench *b, uint64_t t, const struct bench_pace *pace)
{
    (void)pace;
    bench_press(b, t + 5000, 6, 0, 31000000);
    bench_run(b, 29900000);
    assert_int_equal(b->faults, 0);
    bench_run(b, 200000);
    assert_int_equal(b->faults, 1);
    assert_int_equal(b->fault.code, WIRE_FAULT_STUCK);
    assert_int_equal(b->fault.key, 6);
    assert_int_equal(b->fault.active, 1);
    /* Other keys work on meanwhile. */
    bench_press(b, b->now_us + 1000, 9, 1600, 60000);
    bench_run(b, 2500000);
    assert_int_equal(b->got[b->gots - 1].press.key, 9);
    assert_int_equal(b->fault.active, 0);
    assert_int_equal(b->faults, 2);
    assert_int_equal(b->gots, 3); /* down, hold, the other key */
}

static void a_stuck_key_is_a_fault_and_the_others_work_on(void **state)
{
    (void)state;
    replay(stuck, true, false);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_press_whatever_the_scan_rate),
        cmocka_unit_test(bounce_makes_one_press_stamped_at_its_first_contact),
        cmocka_unit_test(a_touch_too_short_for_the_scan_is_still_the_stamp),
        cmocka_unit_test(a_spike_just_before_a_press_widens_the_bound),
        cmocka_unit_test(a_touch_as_the_scan_goes_to_sleep_counts),
        cmocka_unit_test(a_touch_ahead_of_the_turns_tick_counts),
        cmocka_unit_test(chatter_shorter_than_a_press_never_makes_one),
        cmocka_unit_test(a_board_that_tells_of_movement_sees_through_fine_chatter),
        cmocka_unit_test(a_longer_lockout_tames_the_worst_published_switch),
        cmocka_unit_test(two_quick_taps_are_two_presses),
        cmocka_unit_test(a_hold_follows_its_key_down),
        cmocka_unit_test(two_keys_together_are_a_chord),
        cmocka_unit_test(two_keys_at_one_instant_are_one_chord),
        cmocka_unit_test(a_ghost_is_refused_and_said),
        cmocka_unit_test(three_corners_at_once_make_no_press),
        cmocka_unit_test(a_stuck_key_is_a_fault_and_the_others_work_on),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
