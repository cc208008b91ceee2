/*
 * What lamp and sounder say, state by state, as docs/protocol.md, section 6, has it: colours and tones with their times, and rhythms that
 * tell every state from every other without colours.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

#include <stdio.h>
#include <string.h>

#include "lamp.h"

enum { TICK_US = 1000, PERIOD_MS = 3000, ROOM = 512 };

/* What was shown, as text: one letter and how many ms for each change, in the order of time. */
struct shown {
    struct pad_board board;
    struct lamp_state lamp;
    uint32_t now;
    char colour, tone;
    unsigned colour_ms, tone_ms;
    char colours[ROOM], tones[ROOM], rhythm[PERIOD_MS + 1];
};

static void on_lamp(void *ctx, enum pad_lamp colour)
{
    struct shown *s = ctx;
    s->colour = "-GARW"[colour];
}

static void on_sound(void *ctx, enum pad_tone tone)
{
    struct shown *s = ctx;
    s->tone = "-lh"[tone];
}

static void append(char *text, char letter, unsigned ms)
{
    size_t n = strlen(text);
    snprintf(text + n, ROOM - n, "%s%c%u", n == 0 ? "" : " ", letter, ms);
}

/* Begins near the end of 32 bits: they wrap on the way. */
static void begin(struct shown *s)
{
    memset(s, 0, sizeof *s);
    s->board = (struct pad_board){.ctx = s, .lamp = on_lamp, .sounder = on_sound};
    s->now = UINT32_MAX - 700000;
    lamp_init(&s->lamp, &s->board);
}

static void run(struct shown *s, const struct lamp_facts *facts, bool sound, unsigned ms)
{
    s->colours[0] = s->tones[0] = '\0';
    s->colour_ms = s->tone_ms = 0;
    for (unsigned i = 0; i < ms; i++) {
        char colour = s->colour, tone = s->tone;
        lamp_run(&s->lamp, &s->board, facts, sound, s->now);
        if (i > 0 && s->colour != colour) {
            append(s->colours, colour, s->colour_ms);
            s->colour_ms = 0;
        }
        if (i > 0 && s->tone != tone) {
            append(s->tones, tone, s->tone_ms);
            s->tone_ms = 0;
        }
        s->colour_ms++;
        s->tone_ms++;
        if (i < PERIOD_MS) {
            s->rhythm[i] = s->colour == '-' ? ' ' : '#';
        }
        s->now += TICK_US;
    }
    append(s->colours, s->colour, s->colour_ms);
    append(s->tones, s->tone, s->tone_ms);
}

struct state {
    const char *name;
    struct lamp_facts facts;
    enum lamp_show event; /* or LAMP_DARK */
    const char *colours, *tones;
};

static const struct state states[] = {
    {"no link", {0}, LAMP_DARK, "-3000", "-3000"},
    {"linked, nothing waits", {.linked = true}, LAMP_DARK, "-2960 G40", "-3000"},
    {"another fault", {.linked = true, .fault = true}, LAMP_DARK, "R80 -150 R80 -2690", "-3000"},
    {"waiting and no link", {.waiting = true}, LAMP_DARK, "A500 -900 A100 -900 A100 -500", "l400 -2600"},
    {"waiting",
     {.linked = true, .waiting = true},
     LAMP_DARK,
     "A500 -50 A630 -50 A450 -50 A450 -50 A450 -50 A270",
     "-1000 l60 -60 l60 -1820"},
    {"full",
     {.linked = true, .waiting = true, .full = true},
     LAMP_DARK,
     "R500 -500 R500 -500 R500 -500",
     "l500 -500 l500 -1500"},
    {"kept", {.linked = true}, LAMP_KEPT, "G1500 -1500", "h30 -2970"},
    {"struck", {.linked = true}, LAMP_STRUCK, "G120 -50 R120 -50 G260 -2400", "h120 -50 l120 -2710"},
    {"refused",
     {.linked = true},
     LAMP_REFUSED,
     "R120 -80 R120 -80 R120 -2480",
     "l120 -80 l120 -80 l120 -2480"},
    {"identify",
     {.linked = true, .identify = true, .waiting = true},
     LAMP_DARK,
     "W100 -100 W100 -100 W100 -100 W100 -100 W100 -100 W100 -100 W100 -100 W100 -100 W100 -100 W100 -100 "
     "W100 -100 W100 -100 W100 -100 W100 -100 W100 -100",
     "h100 l100 h100 l100 h100 l100 h100 l100 h100 l100 h100 l100 h100 l100 h100 l100 h100 l100 h100 l100 "
     "h100 l100 h100 l100 h100 l100 h100 l100 h100 l100"},
};

enum { STATES = sizeof states / sizeof states[0] };

static void show(struct shown *s, const struct state *state, bool sound)
{
    begin(s);
    if (state->event != LAMP_DARK) {
        lamp_event(&s->lamp, state->event, 1500000, s->now);
    }
    run(s, &state->facts, sound, PERIOD_MS);
}

static void every_state_has_its_colours_and_tones(void **state)
{
    (void)state;
    for (unsigned i = 0; i < STATES; i++) {
        struct shown s;
        print_message("%s\n", states[i].name);
        show(&s, &states[i], true);
        assert_string_equal(s.colours, states[i].colours);
        assert_string_equal(s.tones, states[i].tones);
    }
}

static void silence_leaves_the_lamp_as_it_is(void **state)
{
    (void)state;
    for (unsigned i = 0; i < STATES; i++) {
        struct shown s;
        show(&s, &states[i], false);
        assert_string_equal(s.colours, states[i].colours);
        assert_string_equal(s.tones, "-3000");
    }
}

/* Eyes that take red, green and amber for one: what is lit and what is dark differs for 30 ms and more at a time. */
static void no_two_states_have_one_rhythm(void **state)
{
    (void)state;
    for (unsigned a = 0; a < STATES; a++) {
        for (unsigned b = 0; b < a; b++) {
            struct shown one, other;
            unsigned apart = 0, longest = 0;
            show(&one, &states[a], true);
            show(&other, &states[b], true);
            for (unsigned ms = 0; ms < PERIOD_MS; ms++) {
                apart = one.rhythm[ms] != other.rhythm[ms] ? apart + 1 : 0;
                longest = apart > longest ? apart : longest;
            }
            print_message("%s, %s: differ for %u ms\n", states[a].name, states[b].name, longest);
            assert_true(longest >= 30);
        }
    }
}

/* A press that waits and one that is kept are told apart before green would end. */
static void waiting_is_told_from_kept_while_green_lasts(void **state)
{
    (void)state;
    struct shown s;
    struct lamp_facts waiting = {.linked = true, .waiting = true};
    begin(&s);
    run(&s, &waiting, true, 1500);
    assert_non_null(memchr(s.rhythm, ' ', 1500));
    struct lamp_facts kept = {.linked = true};
    begin(&s);
    lamp_event(&s.lamp, LAMP_KEPT, 1500000, s.now);
    run(&s, &kept, true, 1500);
    assert_null(memchr(s.rhythm, ' ', 1500));
}

static void the_most_important_is_shown(void **state)
{
    (void)state;
    struct shown s;
    struct lamp_facts all = {.linked = true, .waiting = true, .full = true, .fault = true, .identify = true};
    begin(&s);
    lamp_event(&s.lamp, LAMP_REFUSED, 0, s.now);
    lamp_flash(&s.lamp, 200000, s.now);
    run(&s, &all, true, 200);
    assert_string_equal(s.colours, "W200");
    assert_string_equal(s.tones, "-200");
    run(&s, &all, true, 200);
    assert_string_equal(s.colours, "W100 -100");
    all.identify = false;
    run(&s, &all, true, 120);
    assert_string_equal(s.colours, "R120");
    run(&s, &all, true, 400);
    all.full = all.fault = all.waiting = false;
    run(&s, &all, true, 100);
    assert_string_equal(s.colours, "-100");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_state_has_its_colours_and_tones),
        cmocka_unit_test(silence_leaves_the_lamp_as_it_is),
        cmocka_unit_test(no_two_states_have_one_rhythm),
        cmocka_unit_test(waiting_is_told_from_kept_while_green_lasts),
        cmocka_unit_test(the_most_important_is_shown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
