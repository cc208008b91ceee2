/* rig_statements: every option and action of a script as its manual (docs/rig.md) has it, and what is told of the ones that are none. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include "rig_script_text.h"

static void what_is_left_out_has_the_defaults_of_the_manual(void **state)
{
    struct script script;
    (void)state;
    assert_int_equal(read_text(&script, "pad a\nship\nacoustic\nvehicle\nctd\nrecorder\n"), 0);
    assert_int_equal(script.seed, 1);
    assert_int_equal(script.limit_ns, INT64_C(30000000000));
    assert_int_equal(script.pad[0].rows, 4);
    assert_int_equal(script.pad[0].cols, 4);
    assert_int_equal(script.pad[0].baud, 115200);
    assert_int_equal(script.pad[0].turn_ns, 200000);
    assert_true(script.pad[0].bounces && script.pad[0].diodes && script.pad[0].latch && script.pad[0].keeps);
    for (int i = 0; i < SCRIPT_FEEDS; i++)
        assert_int_equal(script.feed[i].port, 5501 + i);
    assert_int_equal(script.feed[SCRIPT_SHIP].every_ns, 1000000000);
    assert_int_equal(script.feed[SCRIPT_ACOUSTIC].late_ns, 1600000000);
    assert_int_equal(script.feed[SCRIPT_CTD].every_ns, 200000000);
    assert_int_equal(script.recorder.rate, TC_RATE_25);
    assert_string_equal(script.recorder.path, "ltc.fifo");
    assert_true(script.recorder.level_db > -12.1 && script.recorder.level_db < -11.9);
    assert_true(isnan(script.recorder.noise_db));
    script_free(&script);
}

static void every_option_is_taken(void **state)
{
    static const char text[] = "limit 2m\n"
                               "pad a serial P-9 keys 8x8 bounce off baud 0 turn 10us begins 12.5\n"
                               "ship to 10.1.2.3:65535 jitter 40ms\n"
                               "ctd extra 8 every 10ms\n"
                               "recorder to /run/x level -60 noise 0 rate 60 start 23:59:59:59 clock -1000\n"
                               "world bottom 90\n";
    struct script script;
    (void)state;
    assert_int_equal(read_text(&script, text), 0);
    assert_int_equal(script.limit_ns, INT64_C(120000000000));
    assert_int_equal(script.pad[0].rows * script.pad[0].cols, 64);
    assert_true(!script.pad[0].bounces && script.pad[0].baud == 0 && script.pad[0].turn_ns == 10000);
    assert_int_equal(script.pad[0].tick0_us, 12500000);
    assert_string_equal(script.feed[SCRIPT_SHIP].host, "10.1.2.3");
    assert_int_equal(script.feed[SCRIPT_SHIP].port, 65535);
    assert_int_equal(script.feed[SCRIPT_SHIP].jitter_ns, 40000000);
    assert_int_equal(script.feed[SCRIPT_CTD].extra, 8);
    assert_string_equal(script.recorder.path, "/run/x");
    assert_int_equal(script.recorder.start_frame, 24 * 3600 * 60 - 1);
    assert_true(script.recorder.level_db < -59.9 && script.recorder.noise_db < 0.1);
    assert_true(script.world.bottom_s > 89.9 && script.world.bottom_s < 90.1);
    script_free(&script);
}

static void every_action_is_taken(void **state)
{
    static const char text[] = "pad a\npad b\n"
                               "at 1 recorder level -30\n"
                               "at 2 recorder noise 10\n"
                               "at 3 recorder noise off\n"
                               "at 4 recorder stop\n"
                               "at 5 recorder start\n"
                               "at 6 recorder jump -00:00:01:00\n"
                               "at 7 recorder jump 11:00:00:00\n"
                               "at 8 ship off\n"
                               "at 9 garble ctd 3\n"
                               "at 10 signal kill\n"
                               "at 11 random 5 pads a,b keys A1,D4 for 3\n"
                               "at 12 pull a power on\n"
                               "at 13 plug a\n"
                               "at 14 end\n";
    struct script script;
    (void)state;
    assert_int_equal(read_text(&script, text), 0);
    assert_int_equal(script.action_count, 14);
    const struct script_action *at = script.action;
    assert_true(at[0].verb == SCRIPT_LEVEL && at[0].number < -29.9);
    assert_true(at[1].verb == SCRIPT_NOISE && at[1].number > 9.9);
    assert_true(at[2].verb == SCRIPT_NOISE && isnan(at[2].number));
    assert_true(at[3].verb == SCRIPT_RECORDER && !at[3].on);
    assert_true(at[4].verb == SCRIPT_RECORDER && at[4].on);
    assert_true(at[5].verb == SCRIPT_JUMP && at[5].relative && at[5].count == -25);
    assert_true(at[6].verb == SCRIPT_JUMP && !at[6].relative && at[6].count == INT64_C(11) * 3600 * 25);
    assert_true(at[7].verb == SCRIPT_FEED && at[7].feed == SCRIPT_SHIP && !at[7].on);
    assert_true(at[8].verb == SCRIPT_GARBLE && at[8].feed == SCRIPT_CTD && at[8].pad < 0 && at[8].count == 3);
    assert_true(at[9].verb == SCRIPT_SIGNAL && strcmp(at[9].text, "kill") == 0);
    assert_true(at[10].verb == SCRIPT_RANDOM && at[10].pads == 3 && at[10].keys[1] == (1 | 1 << 15));
    assert_true(at[11].verb == SCRIPT_PULL && at[11].on && at[12].verb == SCRIPT_PLUG);
    assert_int_equal(at[13].verb, SCRIPT_END);
    script_free(&script);
}

static void lengths_of_time(void **state)
{
    static const struct {
        const char *text;
        int64_t ns;
    } good[] = {{"3.25", 3250000000},
                {"3.25s", 3250000000},
                {"700ms", 700000000},
                {"250us", 250000},
                {"2m", 120000000000},
                {"5h", INT64_C(18000000000000)},
                {"0", 0},
                {".5", 500000000}};
    static const char *const bad[] = {"", "s", "-1", "3 s", "3d", "nan", "inf", "1e9", "2000000s"};
    int64_t ns = 0;
    (void)state;
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
        if (!script_duration(good[i].text, &ns) || ns != good[i].ns)
            fail_msg("'%s' is %lld ns", good[i].text, (long long)ns);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        if (script_duration(bad[i], &ns))
            fail_msg("taken: '%s'", bad[i]);
}

static void what_is_none_is_told(void **state)
{
    static const struct {
        const char *text;
        const char *told;
    } wrong[] = {
        {"pad a keys 9x1", "1: keys: '9x1' is no size from 1x1 to 8x8, rows first"},
        {"pad a keys", "1: keys: '' is no size from 1x1 to 8x8, rows first"},
        {"pad a colour red", "1: pad a: 'colour' is none of serial, keys, clock"},
        {"pad a turn 5us", "1: turn: one turn of the firmware's loop takes from 10us to 50ms"},
        {"pad a turn 51ms", "1: turn: one turn"},
        {"pad a begins never", "1: begins: 'never' is not a number"},
        {"pad a swing 6000", "1: swing: '6000' is not a number from 0 to 5000ppm"},
        {"pad a diodes maybe", "1: diodes: 'maybe' is neither 'on' nor 'off'"},
        {"pad a/b", "1: pad: 'a/b' is no name"},
        {"ship loud", "1: ship: 'loud' is none of to, every, late"},
        {"acoustic outliers 200%", "1: outliers: '200%' is not a number"},
        {"ctd extra 9", "1: extra: '9' is not a whole number from 0 to 8"},
        {"vehicle every 9ms", "1: every: at least 10ms"},
        {"ship to 10.1.2.3:0", "1: to: '10.1.2.3:0' is no HOST:PORT"},
        {"ship to 10.1.2.3:65536", "1: to: '10.1.2.3:65536' is no HOST:PORT"},
        {"recorder colour red", "1: recorder: 'colour' is none of to, rate, start"},
        {"recorder level 1", "1: level: '1' is not a number from -60 to 0dB"},
        {"recorder to", "1: recorder: 'to' is none of"},
        {"recorder rate", "1: rate: '' is none of"},
        {"world sideways 3", "1: world: 'sideways' is none of descent, bottom, ascent"},
        {"world descent deep", "1: descent: 'deep' is no length of time"},
        {"limit soon", "1: limit: 'soon' is no length of time"},
        {"at", "1: at: '' is no length of time"},
        {"at 1", "1: '' is none of pad, random, pull"},
        {"at 1 whale", "1: 'whale' is none of pad, random, pull"},
        {"at 1 say", "1: say: what?"},
        {"at 1 signal", "1: signal: '' is no name"},
        {"at 1 recorder", "1: recorder: '' is none of jump, silent"},
        {"at 1 recorder level 3", "1: level: '3' is not a number"},
        {"at 1 recorder silent long", "1: silent: 'long' is no length of time"},
        {"pad a\nat 1 pad a A1", "2: after the pad's name comes: key KEY [hold TIME]"},
        {"pad a\nat 1 pad a key A1 times 0", "2: times: '0' is not a whole number from 1"},
        {"pad a\nat 1 pad a key A1 times 2 every day", "2: every: 'day' is no length of time"},
        {"pad a\nat 1 random 5 pads a keys E1 for 3", "2: keys: 'E1' is no key of pad a"},
        {"pad a\nat 1 random 5 pads a", "2: write: random N pads NAME[,NAME] [keys KEY[,KEY]] for TIME"},
        {"pad a\nat 1 random 5 for 3", "2: write: random N pads"},
        {"pad a\nat 1 random few pads a for 3", "2: random: 'few' is not a whole number"},
        {"pad a\nat 1 pull b power on", "2: 'b' is no pad declared above"},
        {"pad a\nat 1 pull a power maybe", "2: power: 'maybe' is neither 'on' nor 'off'"},
        {"pad a\nat 1 pull a power on\nat 2 pull a power on", "3: pad a is pulled already"},
        {"pad a\nat 1 garble a none", "2: garble: 'none' is not a whole number"},
        {"pad 1\npad 2\npad 3\npad 4\npad 5\npad 6\npad 7\npad 8\npad 9",
         "9: no room for pad 9: at most 8 pads"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct script script;
        if (read_text(&script, wrong[i].text) != 1 ||
            strncmp(problems, wrong[i].told, strlen(wrong[i].told)) != 0)
            fail_msg("'%s' gave '%s', not '%s'", wrong[i].text, problems, wrong[i].told);
        script_free(&script);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_left_out_has_the_defaults_of_the_manual),
        cmocka_unit_test(every_option_is_taken),
        cmocka_unit_test(every_action_is_taken),
        cmocka_unit_test(lengths_of_time),
        cmocka_unit_test(what_is_none_is_told),
    };
    return cmocka_run_group_tests_name("rig_statements", tests, NULL, NULL);
}
