/* rig_script: a script says what happens when, and a mistake is told by its line. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include "rig_script_text.h"

static void a_whole_script_is_read(void **state)
{
    static const char text[] =
        "# a comment\n"
        "seed 77\n"
        "world descent 40m bottom 5h ascent 30m\n"
        "pad science serial P-01 clock -4800ppm swing 20ppm period 60 batch 16ms baud 57600\n"
        "pad nav serial P-02 diodes off latch off keys 3x5 eeprom off begins 4294.9\n"
        "ship to 127.0.0.1:6001 every 100ms\n"
        "acoustic late 1.5 noise 7m outliers 5%   # late\r\n"
        "recorder to x.fifo rate 29.97df start 09:59:50;10 noise 20dB level -6dB\n"
        "at 9 pull nav power off\n"
        "at 3.25 pad science key B2 hold 700ms\n"
        "at 4 pad science key A1+B1 times 3 every 400ms\n"
        "at 5 recorder jump +00:10:00;00\n"
        "at 5 recorder silent 2\n"
        "at 10 plug nav\n"
        "at 11 garble nav 64\n"
        "at 12 random 50 pads science,nav keys A1,B2 for 30\n"
        "at 13 say two  words # and a half\n"
        "at 50 end";
    struct script script;
    (void)state;
    assert_int_equal(read_text(&script, text), 0);
    assert_int_equal(script.seed, 77);
    assert_int_equal(script.pad_count, 2);
    assert_true(script.pad[0].clock_ppm < -4799 && script.pad[0].batch_ns == 16000000 && script.pad[0].latch);
    assert_true(!script.pad[1].diodes && !script.pad[1].latch && !script.pad[1].keeps &&
                script.pad[1].cols == 5);
    assert_true(script.feed[SCRIPT_SHIP].used && !script.feed[SCRIPT_CTD].used);
    assert_int_equal(script.feed[SCRIPT_SHIP].port, 6001);
    assert_int_equal(script.feed[SCRIPT_ACOUSTIC].late_ns, 1500000000);
    assert_int_equal(script.recorder.rate, TC_RATE_29_97_DF);
    assert_int_equal(script.action_count, 12);
    for (size_t i = 1; i < script.action_count; i++)
        assert_true(script.action[i - 1].at_ns <= script.action[i].at_ns);
    const struct script_action *first = &script.action[0];
    assert_int_equal(first->at_ns, 3250000000);
    assert_int_equal(first->span_ns, 700000000);
    assert_int_equal(first->key[0], 5);
    assert_int_equal(script.action[3].at_ns, 4800000000);
    assert_int_equal(script.action[3].key_count, 2);
    assert_int_equal(script.action[4].count, 17982);
    assert_int_equal(script.action[9].keys[1], 1 | 1 << 6); /* B2 in a matrix of five columns */
    assert_string_equal(script.action[10].text, "two  words # and a half");
    assert_int_equal(script_length_ns(&script), 50000000000);
    script_free(&script);
}

static void mistakes_are_told_by_line(void **state)
{
    static const struct {
        const char *text;
        const char *told;
    } wrong[] = {
        {"\n\nfrobnicate 1", "3: 'frobnicate' is none of"},
        {"at 3 pad science key A1", "1: 'science' is no pad declared above"},
        {"pad science serial P-01\nat 3 pad science key E1",
         "2: key: 'E1' is no key of pad science (A1 to D4)"},
        {"pad science serial P-01\nat 3x pad science key A1", "2: at: '3x' is no length of time"},
        {"pad science serial P-01\nat 3 pad science key A1 hold", "2: hold: '' is no length of time"},
        {"pad science serial P-01\nat 3 pad science key A1 now", "2: 'now' is more than this line takes"},
        {"pad a serial P-01\nat 3 pull a", "2: pull: say whether the pad stays powered"},
        {"pad a serial P-01\nat 3 pull a power off\nat 4 pad a key A1", "3: pad a has no power at that time"},
        {"pad a serial P-01\nat 3 plug a", "2: pad a is plugged in already"},
        {"pad a serial P-01\npad a serial P-02", "2: pad a is declared already"},
        {"pad a serial S@1", "1: serial: 'S@1' is no name"},
        {"pad a serial P-01 clock 90000ppm", "1: clock: '90000ppm' is not a number from -20000 to 20000ppm"},
        {"ship to nowhere", "1: to: 'nowhere' is no HOST:PORT"},
        {"recorder rate 29.97", "1: rate: '29.97' is none of"},
        {"recorder rate 29.97df start 00:01:00;00", "1: '00:01:00;00' is no timecode label"},
        {"at 1 recorder jump 25:00:00:00", "1: '25:00:00:00' is no timecode label"},
        {"at 1 recorder explode", "1: recorder: 'explode' is none of"},
        {"pad a serial P-01\nat 1 pad a key A1 times 9 every 10ms", "2: every: a key held for 110ms"},
        {"at 1 random 5 pads a for 3", "1: 'a' is no pad declared above"},
        {"at 1 garble nobody 3", "1: garble: 'nobody' is neither a pad nor one of"},
        {"at 1 ship maybe", "1: ship: 'maybe' is neither 'on' nor 'off'"},
        {"seed -1", "1: seed: '-1' is not a whole number"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct script script;
        assert_int_equal(read_text(&script, wrong[i].text), 1);
        if (strncmp(problems, wrong[i].told, strlen(wrong[i].told)) != 0)
            fail_msg("'%s' gave '%s'", wrong[i].text, problems);
        script_free(&script);
    }
}

static void every_mistake_is_told(void **state)
{
    struct script script;
    (void)state;
    assert_int_equal(read_text(&script, "one\ntwo\nseed 3\nthree\n"), 3);
    assert_non_null(strstr(problems, "1: 'one'"));
    assert_non_null(strstr(problems, "2: 'two'"));
    assert_non_null(strstr(problems, "4: 'three'"));
    script_free(&script);
}

static void a_long_line_and_a_nul_are_refused(void **state)
{
    char text[2000];
    struct script script;
    (void)state;
    memset(text, 'x', sizeof text);
    text[sizeof text - 1] = 0;
    assert_int_equal(read_text(&script, text), 1);
    script_free(&script);
    problems[0] = 0;
    script_init(&script);
    assert_int_equal(script_parse(&script, "seed\0 3\n", 8, note, NULL), 1);
    script_free(&script);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_whole_script_is_read),
        cmocka_unit_test(mistakes_are_told_by_line),
        cmocka_unit_test(every_mistake_is_told),
        cmocka_unit_test(a_long_line_and_a_nul_are_refused),
    };
    return cmocka_run_group_tests_name("rig_script", tests, NULL, NULL);
}
