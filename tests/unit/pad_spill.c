/* What survives loss of power: unkept presses under their old boot id, the count of power-ups, the serial. Torn writes included. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

#include "unit/pad_bench.h"

static void begin(struct bench *b, uint32_t seed)
{
    bench_init(b, seed, 5000, 200, false);
    bench_run(b, 200000);
}

static void replug(struct bench *b)
{
    bench_power_cut(b);
    bench_power_up(b, 0);
    b->edges = b->edge_at = 0;
    memset(b->contact, 0, sizeof b->contact);
}

static void press(struct bench *b, uint8_t key)
{
    bench_press(b, b->now_us + 1000, key, 1600, 60000);
}

static void boots_are_counted(void **state)
{
    (void)state;
    struct bench b;
    begin(&b, 1);
    uint32_t boot = b.hello.boot;
    assert_int_equal(b.hello.flags & WIRE_HELLO_NUMBERED, 0); /* the first of a blank memory is a guess */
    for (unsigned i = 1; i < 40; i++) {
        replug(&b);
        bench_run(&b, 200000);
        assert_int_equal(b.hello.boot, boot + i);
        assert_int_equal(b.hello.flags & WIRE_HELLO_NUMBERED, WIRE_HELLO_NUMBERED);
    }
    bench_free(&b);
}

static void no_boot_id_is_used_twice_however_power_fails(void **state)
{
    (void)state;
    struct bench b;
    begin(&b, 2);
    uint32_t last = b.hello.boot;
    for (unsigned i = 0; i < 400; i++) {
        unsigned before = b.hellos;
        replug(&b);
        bench_run(&b, bench_between(&b, 0, 60000));
        if (b.hellos > before) {
            assert_true(b.hello.boot > last);
            last = b.hello.boot;
        }
    }
    bench_free(&b);
}

static void unkept_presses_survive_a_replug(void **state)
{
    (void)state;
    struct bench b;
    begin(&b, 3);
    uint32_t old = b.hello.boot;
    b.connected = false;
    for (uint8_t i = 0; i < 5; i++) {
        press(&b, i);
        bench_run(&b, 500000);
    }
    bench_run(&b, 1000000);
    assert_int_equal(pad_waiting(&b.pad), 5);
    replug(&b);
    b.connected = true;
    bench_run(&b, 500000);
    assert_int_equal(b.gots, 5);
    assert_int_not_equal(b.hello.boot, old);
    for (unsigned i = 0; i < 5; i++) {
        assert_int_equal(b.got[i].press.boot, old);
        assert_int_equal(b.got[i].press.seq, i + 1);
        assert_int_equal(b.got[i].press.key, i);
        assert_in_range(b.got[i].press.tick_us, 5000 + 200000 + i * 500000,
                        5000 + 200000 + i * 500000 + 5000);
    }
    /* Kept now, so gone for ever. */
    bench_run(&b, 500000);
    replug(&b);
    bench_run(&b, 3000000);
    assert_int_equal(b.gots, 5);
    assert_int_equal(b.got[0].arrivals, 1);
    bench_free(&b);
}

static void without_a_link_a_press_is_safe_in_a_tenth_of_a_second(void **state)
{
    (void)state;
    struct bench b;
    begin(&b, 12);
    b.connected = false;
    bench_run(&b, 3500000);
    press(&b, 5);
    bench_run(&b, 110000);
    replug(&b);
    b.connected = true;
    bench_run(&b, 500000);
    assert_int_equal(b.gots, 1);
    assert_int_equal(b.got[0].press.key, 5);
    bench_free(&b);
}

static void a_press_kept_in_time_touches_no_memory(void **state)
{
    (void)state;
    struct bench b;
    begin(&b, 4);
    for (uint8_t i = 0; i < 20; i++) {
        press(&b, i % 16);
        bench_run(&b, 400000);
    }
    assert_int_equal(b.gots, 20);
    for (unsigned i = SPILL_PRESS_AT; i < BENCH_EEPROM; i++) {
        assert_int_equal(b.writes[i], 0);
    }
    bench_free(&b);
}

static void holds_and_chords_survive_with_what_they_refer_to(void **state)
{
    (void)state;
    struct bench b;
    begin(&b, 5);
    b.connected = false;
    bench_press(&b, b.now_us + 1000, 2, 1600, 900000);
    bench_press(&b, b.now_us + 51000, 7, 1600, 100000);
    bench_run(&b, 2000000);
    replug(&b);
    b.connected = true;
    bench_run(&b, 500000);
    assert_int_equal(b.gots, 3);
    assert_int_equal(b.got[1].press.gesture, WIRE_CHORD);
    assert_int_equal(b.got[1].press.of_seq, 1);
    assert_int_equal(b.got[2].press.gesture, WIRE_HOLD);
    assert_int_equal(b.got[2].press.of_seq, 1);
    bench_free(&b);
}

static void wear_goes_round(void **state)
{
    (void)state;
    struct bench b;
    begin(&b, 6);
    unsigned presses = 0;
    for (unsigned i = 0; i < 120; i++) {
        b.keeps = false;
        press(&b, (uint8_t)(i % 16));
        bench_run(&b, 500000);
        b.keeps = true;
        bench_run(&b, 4500000);
        presses++;
        if (i % 30 == 29) {
            replug(&b);
            bench_run(&b, 200000);
        }
    }
    assert_int_equal(b.gots, presses);
    unsigned slots = b.pad.spill.slots;
    unsigned most = 0;
    for (unsigned i = SPILL_PRESS_AT; i < BENCH_EEPROM; i++) {
        most = b.writes[i] > most ? b.writes[i] : most;
    }
    /* Each spilled press writes its mark twice; they spread evenly over the slots. */
    assert_in_range(most, 2 * presses / slots, 2 * presses / slots + 4);
    bench_free(&b);
}

static void the_serial_is_set_once(void **state)
{
    (void)state;
    struct bench b;
    begin(&b, 7);
    struct wire_message set = {WIRE_SERIAL_SET, {.serial_set = {"P-03"}}};
    bench_tell(&b, &set);
    bench_run(&b, 30000);
    assert_string_equal(b.hello.serial, ""); /* it has none until it cannot lose it */
    bench_run(&b, 100000);
    assert_string_equal(b.hello.serial, "P-03");
    strcpy(set.u.serial_set.serial, "P-04");
    bench_tell(&b, &set);
    bench_run(&b, 200000);
    assert_string_equal(b.hello.serial, "P-03");
    replug(&b);
    bench_run(&b, 200000);
    assert_string_equal(b.hello.serial, "P-03");
    bench_free(&b);
}

static void a_serial_torn_by_loss_of_power_can_be_set_again(void **state)
{
    (void)state;
    for (uint32_t seed = 1; seed < 40; seed++) {
        struct bench b;
        begin(&b, seed);
        struct wire_message set = {WIRE_SERIAL_SET, {.serial_set = {"KEYPAD-NUMBER-9"}}};
        bench_tell(&b, &set);
        bench_run(&b, bench_between(&b, 0, 90000));
        bool said = b.hello.serial[0] != '\0';
        replug(&b);
        bench_run(&b, 200000);
        assert_true((b.hello.serial[0] == '\0' && !said) || strcmp(b.hello.serial, "KEYPAD-NUMBER-9") == 0);
        bench_tell(&b, &set);
        bench_run(&b, 200000);
        replug(&b);
        bench_run(&b, 200000);
        assert_string_equal(b.hello.serial, "KEYPAD-NUMBER-9");
        bench_free(&b);
    }
}

static void worn_bytes_are_said_and_stepped_over(void **state)
{
    (void)state;
    struct bench b;
    begin(&b, 8);
    b.connected = false;
    b.eeprom_bad_from = SPILL_PRESS_AT + 3;
    b.eeprom_bad_to = SPILL_PRESS_AT + SPILL_SLOT_BYTES + 3; /* the first two slots */
    press(&b, 1);
    bench_run(&b, 1500000);
    replug(&b);
    b.connected = true;
    bench_run(&b, 500000);
    assert_int_equal(b.gots, 1); /* it went to the third */
    b.keeps = false;
    press(&b, 2);
    bench_run(&b, 1500000);
    press(&b, 3);
    bench_run(&b, 1500000);
    bench_free(&b);

    begin(&b, 9);
    b.keeps = false;
    b.eeprom_bad_from = 0;
    b.eeprom_bad_to = BENCH_EEPROM;
    press(&b, 1);
    bench_run(&b, 1500000);
    assert_int_equal(b.fault.code, WIRE_FAULT_EEPROM);
    assert_int_equal(b.fault.active, 1);
    b.keeps = true;
    bench_run(&b, 5000000);
    assert_int_equal(b.gots, 1); /* the press itself comes to no harm */
    bench_free(&b);
}

static void a_dead_memory_does_not_reuse_a_boot_id(void **state)
{
    (void)state;
    struct bench b;
    begin(&b, 10);
    replug(&b);
    bench_run(&b, 200000);
    b.eeprom_bad_to = BENCH_EEPROM;
    uint32_t seen[20];
    for (unsigned i = 0; i < 20; i++) {
        replug(&b);
        press(&b, 3); /* before the memory is found to be dead */
        bench_run(&b, 400000);
        assert_int_equal(b.hello.flags & WIRE_HELLO_NUMBERED, 0);
        assert_int_equal(b.got[b.gots - 1].press.boot, b.hello.boot);
        seen[i] = b.hello.boot;
        for (unsigned k = 0; k < i; k++) {
            assert_int_not_equal(seen[k], seen[i]);
        }
    }
    assert_int_equal(b.gots, 20);
    bench_free(&b);
}

static void a_board_without_memory_works(void **state)
{
    (void)state;
    struct bench b;
    bench_init(&b, 11, 0, 200, false);
    b.board.eeprom_bytes = 0;
    pad_init(&b.pad, &b.board, "DESK-1", 0, 0, 0);
    press(&b, 3);
    bench_run(&b, 600000);
    assert_int_equal(b.hello.boot, 1);
    assert_string_equal(b.hello.serial, "DESK-1");
    assert_int_equal(b.hello.flags & (WIRE_HELLO_SPILLS | WIRE_HELLO_NUMBERED), 0);
    assert_int_equal(b.gots, 1);
    bench_free(&b);
}

static void any_memory_at_power_up_is_safe(void **state)
{
    (void)state;
    struct bench b;
    for (uint32_t seed = 1; seed < 60; seed++) {
        bench_init(&b, seed, 0, 200, false);
        for (unsigned i = 0; i < BENCH_EEPROM; i++) {
            b.eeprom[i] = (uint8_t)(bench_random(&b) >> 11);
        }
        bench_power_up(&b, 0);
        press(&b, 3);
        bench_run(&b, 400000);
        assert_true(b.gots >= 1);
        assert_true(pad_waiting(&b.pad) == 0);
        bench_free(&b);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(boots_are_counted),
        cmocka_unit_test(no_boot_id_is_used_twice_however_power_fails),
        cmocka_unit_test(unkept_presses_survive_a_replug),
        cmocka_unit_test(without_a_link_a_press_is_safe_in_a_tenth_of_a_second),
        cmocka_unit_test(a_press_kept_in_time_touches_no_memory),
        cmocka_unit_test(holds_and_chords_survive_with_what_they_refer_to),
        cmocka_unit_test(wear_goes_round),
        cmocka_unit_test(the_serial_is_set_once),
        cmocka_unit_test(a_serial_torn_by_loss_of_power_can_be_set_again),
        cmocka_unit_test(worn_bytes_are_said_and_stepped_over),
        cmocka_unit_test(a_dead_memory_does_not_reuse_a_boot_id),
        cmocka_unit_test(a_board_without_memory_works),
        cmocka_unit_test(any_memory_at_power_up_is_safe),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
