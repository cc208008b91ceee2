/* The pad and its host: offering until kept, what the lamp says, link lost and found, pings, settings, the lamp as a clapper. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

#include "unit/pad_bench.h"

static void begin(struct bench *b)
{
    bench_init(b, 4242, UINT64_C(4294967295) - 3000000, 200,
               false); /* 32 bits wrap three seconds into the test */
    bench_run(b, 300000);
}

/* The lamp's colour most of the time over the next two seconds. */
static enum pad_lamp mostly(struct bench *b)
{
    unsigned seen[5] = {0};
    enum pad_lamp most = PAD_LAMP_DARK;
    for (unsigned i = 0; i < 400; i++) {
        bench_run(b, 5000);
        seen[b->lamp]++;
        most = seen[b->lamp] > seen[most] ? b->lamp : most;
    }
    return most;
}

static bool shows_within(struct bench *b, enum pad_lamp colour, uint64_t us)
{
    for (uint64_t until = b->now_us + us; b->now_us < until;) {
        bench_turn(b);
        if (b->lamp == colour) {
            return true;
        }
    }
    return false;
}

static void press(struct bench *b, uint8_t key)
{
    bench_press(b, b->now_us + 1000, key, 1600, 60000);
}

static void hello_says_who_and_comes_first(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    assert_int_equal(b.order[0], WIRE_HELLO);
    assert_int_equal(b.hello.version, WIRE_VERSION);
    assert_int_equal(b.hello.tick_hz, 1000000);
    assert_int_equal(b.hello.rows, 4);
    assert_int_equal(b.hello.cols, 4);
    assert_int_equal(b.hello.keys, 16);
    assert_int_equal(b.hello.room, PAD_QUEUE + 39 - QUEUE_WINDOW);
    assert_int_equal(b.hello.flags & WIRE_HELLO_POWER_ON, WIRE_HELLO_POWER_ON);
    assert_int_equal(b.hello.flags & WIRE_HELLO_SPILLS, WIRE_HELLO_SPILLS);
    assert_string_equal(b.hello.serial, "");
    unsigned before = b.hellos;
    struct wire_message ask = {WIRE_ASK_HELLO, {.ask_hello = {WIRE_VERSION}}};
    bench_tell(&b, &ask);
    bench_run(&b, 20000);
    assert_int_equal(b.hellos, before + 1);
    bench_free(&b);
}

static void amber_until_kept_then_green_then_neither(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    b.keeps = false;
    press(&b, 3);
    assert_true(shows_within(&b, PAD_LAMP_AMBER, 10000));
    assert_int_equal(mostly(&b), PAD_LAMP_AMBER);
    assert_int_equal(b.lamp_seen[PAD_LAMP_GREEN], 0); /* green means on disk, and nothing else */
    bench_keep(&b, b.got[0].press.boot, b.got[0].press.seq, WIRE_RESULT_KEPT);
    assert_true(shows_within(&b, PAD_LAMP_GREEN, 10000));
    bench_run(&b, 1400000);
    assert_int_equal(b.lamp, PAD_LAMP_GREEN);
    assert_false(b.tone);
    bench_run(&b, 200000);
    assert_int_equal(mostly(&b), PAD_LAMP_DARK);
    assert_true(shows_within(&b, PAD_LAMP_GREEN, 3100000)); /* the wink that says: somebody listens */
    bench_free(&b);
}

static void green_waits_for_the_last_one(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    b.keeps = false;
    press(&b, 3);
    bench_run(&b, 100000);
    press(&b, 4);
    bench_run(&b, 100000);
    assert_int_equal(b.gots, 2);
    bench_keep(&b, b.got[0].press.boot, b.got[0].press.seq, WIRE_RESULT_KEPT);
    assert_false(shows_within(&b, PAD_LAMP_GREEN, 200000));
    bench_keep(&b, b.got[1].press.boot, b.got[1].press.seq, WIRE_RESULT_KEPT);
    assert_true(shows_within(&b, PAD_LAMP_GREEN, 10000));
    /* A new press ends the green of the old one at once. */
    press(&b, 5);
    assert_true(shows_within(&b, PAD_LAMP_AMBER, 10000));
    bench_free(&b);
}

static void an_unkept_press_is_offered_again_with_growing_pauses(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    b.keeps = false;
    press(&b, 3);
    bench_run(&b, 240000);
    assert_int_equal(b.got[0].arrivals, 1);
    bench_run(&b, 30000);
    assert_int_equal(b.got[0].arrivals, 2); /* after 0.25 s, then 0.5, 1, 2, 4, 4 ... */
    bench_run(&b, 10000000);
    assert_in_range(b.got[0].arrivals, 5, 7);
    assert_int_equal(b.got[0].press.seq, 1);
    b.keeps = true;
    bench_run(&b, 4200000);
    assert_int_equal(pad_waiting(&b.pad), 0);
    unsigned settled = b.got[0].arrivals;
    bench_run(&b, 10000000);
    assert_int_equal(b.got[0].arrivals, settled);
    assert_int_equal(b.gots, 1);
    bench_free(&b);
}

static void kept_said_twice_or_for_a_stranger_changes_nothing(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    press(&b, 3);
    bench_run(&b, 100000);
    assert_int_equal(pad_waiting(&b.pad), 0);
    b.keeps = false;
    press(&b, 4);
    bench_run(&b, 100000);
    bench_keep(&b, b.got[0].press.boot, b.got[0].press.seq, WIRE_RESULT_KEPT);
    bench_keep(&b, b.got[1].press.boot + 1, b.got[1].press.seq, WIRE_RESULT_KEPT);
    bench_keep(&b, b.got[1].press.boot, b.got[1].press.seq + 1, WIRE_RESULT_KEPT);
    bench_run(&b, 100000);
    assert_int_equal(pad_waiting(&b.pad), 1);
    assert_int_equal(b.lamp, PAD_LAMP_AMBER);
    bench_free(&b);
}

static void presses_keep_their_order_through_an_outage(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    b.connected = false;
    for (uint8_t i = 0; i < 30; i++) {
        bench_press(&b, b.now_us + 1000, i % 16, 1600, 50000);
        bench_run(&b, 200000);
    }
    assert_int_equal(pad_waiting(&b.pad), 30);
    assert_int_equal(b.gots, 0);
    b.connected = true;
    b.ordered = 0;
    /* And on it goes while the backlog is delivered. */
    for (uint8_t i = 0; i < 14; i++) {
        bench_press(&b, b.now_us + 1000, i, 300, 40000);
        bench_run(&b, 90000);
    }
    bench_run(&b, 3000000);
    assert_int_equal(b.order[0], WIRE_HELLO);
    assert_int_equal(b.gots, 44);
    assert_int_equal(pad_waiting(&b.pad), 0);
    for (unsigned i = 0; i < 44; i++) {
        assert_int_equal(b.got[i].press.seq, i + 1);
    }
    bench_free(&b);
}

static void lamp_is_dark_when_nobody_listens(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    b.pings = false;
    bench_run(&b, 3100000);
    b.lamp_seen[PAD_LAMP_GREEN] = 0;
    assert_int_equal(mostly(&b), PAD_LAMP_DARK);
    bench_run(&b, 4000000);
    assert_int_equal(b.lamp_seen[PAD_LAMP_GREEN], 0);
    /* It calls out once a second meanwhile. */
    unsigned before = b.hellos;
    bench_run(&b, 5000000);
    assert_in_range(b.hellos - before, 4, 5);
    /* A press shows amber a tenth of the time and sounds long and low. */
    b.connected = false;
    b.tone_seen[PAD_TONE_LOW] = 0;
    press(&b, 3);
    assert_true(shows_within(&b, PAD_LAMP_AMBER, 10000));
    assert_int_equal(mostly(&b), PAD_LAMP_DARK);
    assert_int_equal(b.tone_seen[PAD_TONE_LOW], 1);
    /* The host comes back. */
    b.connected = b.pings = true;
    bench_run(&b, 1200000);
    assert_int_equal(b.gots, 1);
    assert_int_equal(pad_waiting(&b.pad), 0);
    bench_free(&b);
}

static void refused_is_red_and_struck_is_both(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    b.answer = WIRE_RESULT_REFUSED;
    press(&b, 3);
    assert_true(shows_within(&b, PAD_LAMP_RED, 30000));
    bench_run(&b, 2000000);
    assert_int_equal(pad_waiting(&b.pad), 0);
    assert_int_equal(b.lamp_seen[PAD_LAMP_RED], 3);
    assert_int_equal(b.lamp_seen[PAD_LAMP_GREEN], 0);
    b.answer = WIRE_RESULT_STRUCK;
    press(&b, 4);
    assert_true(shows_within(&b, PAD_LAMP_GREEN, 30000));
    assert_true(shows_within(&b, PAD_LAMP_RED, 200000));
    assert_true(shows_within(&b, PAD_LAMP_GREEN, 200000));
    assert_int_equal(b.got[0].arrivals, 1);
    bench_free(&b);
}

static void a_full_queue_refuses_the_new_press_and_says_so(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    unsigned room = b.hello.room;
    assert_true(room > PAD_QUEUE); /* what is on record makes room for more */
    b.keeps = false;
    for (unsigned i = 0; i < room + 3; i++) {
        press(&b, (uint8_t)(i % 16));
        bench_run(&b, 120000);
    }
    assert_int_equal(pad_waiting(&b.pad), room);
    assert_int_equal(b.fault.code, WIRE_FAULT_QUEUE_FULL);
    assert_int_equal(b.fault.active, 1);
    assert_int_equal(b.fault.count, 3);
    bench_run(&b, 1200000);
    assert_int_equal(b.pong.faults, WIRE_FAULT_BIT(WIRE_FAULT_QUEUE_FULL));
    assert_int_equal(b.pong.waiting, room);
    assert_true(shows_within(&b, PAD_LAMP_RED, 1200000));
    b.keeps = true;
    bench_run(&b, 20000000);
    assert_int_equal(pad_waiting(&b.pad), 0);
    assert_int_equal(b.gots, room);
    assert_int_equal(b.got[0].press.seq, 1);
    assert_int_equal(b.fault.active, 0);
    press(&b, 2);
    bench_run(&b, 200000);
    assert_int_equal(b.got[room].press.seq, room + 1); /* a refused press used up no number */
    bench_free(&b);
}

static void pong_stamps_enclose_the_line_time(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    b.keeps = false;
    for (unsigned i = 0; i < 200; i++) {
        unsigned before = b.pongs;
        bench_run(&b, bench_between(&b, 0, 9000));
        if (i % 7 == 0) {
            press(&b, (uint8_t)(i % 16)); /* presses on the line at the same time */
        }
        b.pings = false;
        bench_ping(&b);
        uint64_t sent = b.ping_sent_us;
        while (b.pongs == before) {
            bench_turn(&b);
        }
        assert_int_equal(b.pong.id, b.ping_id);
        assert_int_equal(b.pong.boot, b.hello.boot);
        assert_true(b.pong.rx_tick_us >= sent + wire_frame_bytes(WIRE_PING) * BENCH_BYTE_US);
        assert_true(b.pong.tx_tick_us >= b.pong.rx_tick_us);
        assert_true(b.pong.tx_tick_us + wire_frame_bytes(WIRE_PONG) * BENCH_BYTE_US <= b.now_us);
    }
    bench_free(&b);
}

static void settings_hold_and_are_kept_in_range(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    struct wire_message message = {WIRE_SETTINGS, {.settings = {0, 300, 0, 300, 2}}};
    bench_tell(&b, &message);
    bench_run(&b, 50000);
    b.tone_seen[PAD_TONE_HIGH] = b.tone_seen[PAD_TONE_LOW] = 0;
    bench_press(&b, b.now_us + 1000, 3, 1600, 400000);
    bench_run(&b, 450000);
    assert_int_equal(b.gots, 2);
    assert_int_equal(b.got[1].press.gesture, WIRE_HOLD);
    assert_int_equal(b.got[1].press.tick_us - b.got[0].press.tick_us, 300000);
    bench_run(&b, 300000);
    assert_int_equal(b.lamp, PAD_LAMP_DARK); /* green for 0.3 s alone */
    assert_int_equal(b.tone_seen[PAD_TONE_HIGH] + b.tone_seen[PAD_TONE_LOW], 0);

    message.u.settings = (struct wire_settings){60000, 1, 60000, 1, 1};
    bench_tell(&b, &message);
    bench_run(&b, 50000);
    assert_int_equal(b.pad.keys_set.lockout_us, 200000);
    assert_int_equal(b.pad.keys_set.hold_us, 200000);
    assert_int_equal(b.pad.keys_set.chord_us, 100000); /* at most half of the hold */
    assert_int_equal(b.pad.kept_us, 100000);
    bench_free(&b);
}

static void the_lamp_is_a_clapper(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    b.board.lamp_us = 350;
    struct wire_message flash = {WIRE_FLASH, {.flash = {321, 400}}};
    bench_tell(&b, &flash);
    assert_true(shows_within(&b, PAD_LAMP_WHITE, 20000));
    uint64_t lit = b.lamp_us;
    bench_tell(&b, &flash); /* while it is lit: not answered, for no instant could be told */
    bench_run(&b, 200000);
    assert_int_equal(b.flashes, 1);
    assert_int_equal(b.flashed.id, 321);
    assert_int_equal(b.flashed.boot, b.hello.boot);
    assert_in_range(lit, b.flashed.tick_us, b.flashed.tick_us + b.flashed.within_us);
    assert_int_equal(b.lamp, PAD_LAMP_WHITE);
    bench_run(&b, 220000);
    assert_int_not_equal(b.lamp, PAD_LAMP_WHITE);
    bench_free(&b);
}

static void the_host_can_ask_for_red_and_for_attention(void **state)
{
    (void)state;
    struct bench b;
    begin(&b);
    struct wire_message cue = {WIRE_LAMP, {.lamp = {WIRE_CUE_FAULT, 0}}};
    bench_tell(&b, &cue);
    assert_true(shows_within(&b, PAD_LAMP_RED, 20000));
    bench_run(&b, 30000000);
    assert_true(shows_within(&b, PAD_LAMP_RED, 1100000));
    /* What is kept is still shown as kept. */
    press(&b, 3);
    assert_true(shows_within(&b, PAD_LAMP_GREEN, 50000));
    cue.u.lamp = (struct wire_lamp){WIRE_CUE_IDENTIFY, 500};
    bench_tell(&b, &cue);
    assert_true(shows_within(&b, PAD_LAMP_WHITE, 20000));
    bench_run(&b, 600000);
    assert_false(shows_within(&b, PAD_LAMP_WHITE, 1000000));
    cue.u.lamp = (struct wire_lamp){WIRE_CUE_FAULT, 0};
    bench_tell(&b, &cue);
    b.pings = false;
    bench_run(&b, 3200000);
    assert_int_equal(mostly(&b), PAD_LAMP_DARK); /* a host that is gone asks for nothing */
    bench_free(&b);
}

static void an_echo_of_ones_own_frames_is_no_host(void **state)
{
    (void)state;
    struct bench b;
    bench_init(&b, 9, 0, 200, false);
    b.pings = false;
    bench_run(&b, 100000);
    struct wire_message echo = {WIRE_PRESS, {.press = {b.hello.boot, 1, 0, 0, 0, 3, WIRE_DOWN, 0, 1}}};
    bench_tell(&b, &echo);
    bench_run(&b, 100000);
    assert_false(b.pad.linked);
    bench_free(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(hello_says_who_and_comes_first),
        cmocka_unit_test(amber_until_kept_then_green_then_neither),
        cmocka_unit_test(green_waits_for_the_last_one),
        cmocka_unit_test(an_unkept_press_is_offered_again_with_growing_pauses),
        cmocka_unit_test(kept_said_twice_or_for_a_stranger_changes_nothing),
        cmocka_unit_test(presses_keep_their_order_through_an_outage),
        cmocka_unit_test(lamp_is_dark_when_nobody_listens),
        cmocka_unit_test(refused_is_red_and_struck_is_both),
        cmocka_unit_test(a_full_queue_refuses_the_new_press_and_says_so),
        cmocka_unit_test(pong_stamps_enclose_the_line_time),
        cmocka_unit_test(settings_hold_and_are_kept_in_range),
        cmocka_unit_test(the_lamp_is_a_clapper),
        cmocka_unit_test(the_host_can_ask_for_red_and_for_attention),
        cmocka_unit_test(an_echo_of_ones_own_frames_is_no_host),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
