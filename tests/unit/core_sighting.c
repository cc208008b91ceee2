/* watchlog: presses become sightings, spans, samples and phases, one rule a test. Instants are seconds of an invented dive. */
#include "core/watchlog.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define CAPACITY 128
#define SCIENCE 0
#define NAV 1
#define IDLE_S 300

struct desk {
    struct watchlog *log;
    void *memory;
    uint32_t next_marker;
    /* what the sink was told */
    uint32_t strikes, restored, links, sightings, spans, samples, refusals, recomputed;
    struct sighting last_sighting;
    struct span last_span;
    struct sample last_sample;
    struct watch_strike last_strike;
    struct watch_refusal refusal;
    char refusing[CONTAINER_SIZE];
};

static utc_ns at(double seconds)
{
    return (utc_ns){(int64_t)(seconds * 1e9)};
}

static void hear(void *ctx, const struct watch_change *change)
{
    struct desk *desk = ctx;
    desk->recomputed += change->recomputed;
    switch (change->type) {
    case WATCH_CHANGE_STRIKE:
        desk->strikes += !change->of.strike.restored;
        desk->restored += change->of.strike.restored;
        desk->last_strike = change->of.strike;
        break;
    case WATCH_CHANGE_LINK:
        desk->links++;
        break;
    case WATCH_CHANGE_SIGHTING:
        desk->sightings++;
        desk->last_sighting = change->of.sighting;
        break;
    case WATCH_CHANGE_SPAN:
        desk->spans++;
        desk->last_span = change->of.span;
        break;
    case WATCH_CHANGE_SAMPLE:
        desk->samples++;
        desk->last_sample = change->of.sample;
        break;
    case WATCH_CHANGE_REFUSAL:
        desk->refusals++;
        desk->refusal = change->of.refusal;
        strcpy(desk->refusing, change->of.refusal.container);
        break;
    }
}

static int sit_down(void **state)
{
    struct desk *desk = calloc(1, sizeof *desk);
    assert_non_null(desk);
    size_t size = watchlog_size(CAPACITY);
    desk->memory = malloc(size);
    desk->log = watchlog_init(desk->memory, size, CAPACITY);
    assert_non_null(desk->log);
    watchlog_set_idle(desk->log, IDLE_S * NS_PER_S);
    watchlog_dive_begin(desk->log, at(0));
    *state = desk;
    return 0;
}

static int stand_up(void **state)
{
    struct desk *desk = *state;
    free(desk->memory);
    free(desk);
    return 0;
}

static struct watch_fact fact_of(struct desk *desk, double t, uint8_t seat, enum key_kind kind,
                                 const char *label)
{
    struct watch_fact fact = {.marker = ++desk->next_marker, .seat = seat, .kind = kind, .at = at(t)};
    strcpy(fact.label, label);
    if (kind == KEY_KIND_PHASE)
        fact.phase = dive_phase_find(label);
    return fact;
}

/* Returns where the marker went; its number is desk->next_marker. */
static struct watch_link press(struct desk *desk, double t, uint8_t seat, enum key_kind kind,
                               const char *label)
{
    struct watch_fact fact = fact_of(desk, t, seat, kind, label);
    return watchlog_press(desk->log, &fact, hear, desk);
}

static struct watch_link take(struct desk *desk, double t, const char *container, uint16_t capacity)
{
    struct watch_fact fact = fact_of(desk, t, NAV, KEY_KIND_SAMPLE, "Sample");
    strcpy(fact.container, container);
    fact.capacity = capacity;
    return watchlog_press(desk->log, &fact, hear, desk);
}

static struct sighting sighting(struct desk *desk, uint32_t number)
{
    struct sighting found;
    assert_true(watchlog_sighting(desk->log, number, &found));
    assert_int_equal(found.number, number);
    return found;
}

static struct span span(struct desk *desk, uint32_t number)
{
    struct span found;
    assert_true(watchlog_span(desk->log, number, &found));
    return found;
}

static struct watch_link link_of(struct desk *desk, uint32_t marker)
{
    struct watch_link found;
    assert_true(watchlog_link(desk->log, marker, &found));
    return found;
}

static void subject_opens_and_counts(void **state)
{
    struct desk *desk = *state;
    struct watch_fact fact = fact_of(desk, 100, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    fact.lead_ms = 5000;
    struct watch_link link = watchlog_press(desk->log, &fact, hear, desk);
    assert_int_equal(link.sighting, 1);
    assert_int_equal(link.note, WATCH_NOTE_NONE);
    press(desk, 103, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 104, SCIENCE, KEY_KIND_DETAIL, "Feeding");
    press(desk, 110, SCIENCE, KEY_KIND_DONE, "Done");
    struct sighting fish = sighting(desk, 1);
    assert_int_equal(fish.state, WATCH_STATE_CLOSED);
    assert_int_equal(fish.close, WATCH_CLOSE_KEY);
    assert_int_equal(fish.individuals, 2);
    assert_int_equal(fish.marker_count, 4);
    assert_int_equal(fish.opened_by, 1);
    assert_int_equal(fish.last_marker, 4);
    assert_int_equal(fish.closed_by, 4);
    assert_true(fish.key.ns == at(100).ns);
    assert_true(fish.start.ns == at(95).ns);
    assert_true(fish.end.ns == at(110).ns);
    assert_string_equal(fish.label, "Fish");
    assert_int_equal(desk->sightings, 4);
    assert_int_equal(desk->links, 0);
    assert_int_equal(desk->recomputed, 0);
    assert_int_equal(link_of(desk, 3).sighting, 1);
}

static void another_subject_closes_and_says_so(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 9, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    struct sighting fish = sighting(desk, 1);
    assert_int_equal(fish.close, WATCH_CLOSE_SUBJECT);
    assert_int_equal(fish.closed_by, 2);
    assert_true(fish.end.ns == at(9).ns);
    assert_int_equal(sighting(desk, 2).state, WATCH_STATE_OPEN);
    /* The first subject again: it is another encounter. */
    assert_int_equal(press(desk, 12, SCIENCE, KEY_KIND_SUBJECT, "Fish").sighting, 3);
}

static void relation_ties_and_keeps_both_open(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    press(desk, 2, SCIENCE, KEY_KIND_RELATION, "Eats");
    press(desk, 3, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    struct sighting fish = sighting(desk, 2);
    assert_int_equal(fish.tied_to, 1);
    assert_int_equal(fish.tie_marker, 2);
    assert_string_equal(fish.tie_label, "Eats");
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_OPEN);
    assert_int_equal(press(desk, 4, SCIENCE, KEY_KIND_DETAIL, "Juvenile").sighting, 2);
    assert_int_equal(press(desk, 5, SCIENCE, KEY_KIND_SUBJECT, "Crab").sighting, 1);
    assert_int_equal(press(desk, 6, SCIENCE, KEY_KIND_DETAIL, "Moulting").sighting, 1);
    press(desk, 7, SCIENCE, KEY_KIND_DONE, "Done");
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_CLOSED);
    assert_int_equal(sighting(desk, 2).state, WATCH_STATE_CLOSED);
    assert_int_equal(sighting(desk, 1).individuals, 2);
    assert_int_equal(sighting(desk, 2).closed_by, 7);
}

static void relation_between_two_of_one_kind(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    press(desk, 2, SCIENCE, KEY_KIND_RELATION, "Mates with");
    press(desk, 3, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    assert_int_equal(sighting(desk, 2).tied_to, 1);
    assert_int_equal(sighting(desk, 1).individuals, 1);
}

static void relation_without_a_second_subject_is_untied(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    press(desk, 2, SCIENCE, KEY_KIND_RELATION, "Eats");
    press(desk, 3, SCIENCE, KEY_KIND_RELATION, "Lives on");
    assert_int_equal(link_of(desk, 2).note, WATCH_NOTE_UNTIED);
    assert_int_equal(link_of(desk, 3).note, WATCH_NOTE_NONE);
    press(desk, 4, SCIENCE, KEY_KIND_DONE, "Done");
    assert_int_equal(link_of(desk, 3).note, WATCH_NOTE_UNTIED);
    assert_int_equal(desk->links, 2);
    press(desk, 5, SCIENCE, KEY_KIND_SUBJECT, "Sponge");
    assert_int_equal(sighting(desk, 2).tied_to, 0);
}

static void too_many_tied_together(void **state)
{
    struct desk *desk = *state;
    char label[16] = "Animal a";
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, label);
    for (int i = 1; i < WATCH_TIED_MAX; i++) {
        label[7]++;
        assert_int_equal(press(desk, 2 * i, SCIENCE, KEY_KIND_RELATION, "Lives on").note, WATCH_NOTE_NONE);
        press(desk, 2 * i + 1, SCIENCE, KEY_KIND_SUBJECT, label);
    }
    assert_int_equal(press(desk, 100, SCIENCE, KEY_KIND_RELATION, "Lives on").note, WATCH_NOTE_TOO_MANY);
    press(desk, 101, SCIENCE, KEY_KIND_SUBJECT, "One more");
    assert_int_equal(sighting(desk, WATCH_TIED_MAX + 1).tied_to, 0);
    assert_int_equal(sighting(desk, 1).close, WATCH_CLOSE_SUBJECT);
}

static void what_finds_nothing_open_is_kept_loose(void **state)
{
    struct desk *desk = *state;
    assert_int_equal(press(desk, 1, SCIENCE, KEY_KIND_DETAIL, "Feeding").note, WATCH_NOTE_LOOSE);
    assert_int_equal(press(desk, 2, SCIENCE, KEY_KIND_RELATION, "Eats").note, WATCH_NOTE_LOOSE);
    assert_int_equal(press(desk, 3, SCIENCE, KEY_KIND_DONE, "Done").note, WATCH_NOTE_LOOSE);
    assert_int_equal(press(desk, 4, SCIENCE, KEY_KIND_STRIKE, "Strike").note, WATCH_NOTE_NONE);
    assert_int_equal(press(desk, 5, NAV, KEY_KIND_STRIKE, "Strike").note, WATCH_NOTE_NO_TARGET);
    assert_int_equal(press(desk, 6, SCIENCE, KEY_KIND_NOTE, "Note").note, WATCH_NOTE_NONE);
    assert_int_equal(desk->sightings, 0);
    for (int note = WATCH_NOTE_NONE + 1; note < WATCH_NOTES; note++)
        assert_true(strlen(watch_note_text((enum watch_note)note)) > 5);
    assert_string_equal(watch_note_text((enum watch_note)99), "");
}

static void each_seat_has_its_own(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 2, NAV, KEY_KIND_SUBJECT, "Wreckage");
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_OPEN);
    assert_int_equal(press(desk, 3, NAV, KEY_KIND_DETAIL, "Rusty").sighting, 2);
    press(desk, 4, NAV, KEY_KIND_DONE, "Done");
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_OPEN);
    press(desk, 5, NAV, KEY_KIND_STRIKE, "Strike");
    assert_int_equal(sighting(desk, 2).state, WATCH_STATE_OPEN);
    assert_int_equal(press(desk, 6, SCIENCE, KEY_KIND_DETAIL, "Swims").sighting, 1);
}

static void again_steps_back_through_earlier_sightings(void **state)
{
    struct desk *desk = *state;
    for (int i = 0; i < 3; i++) {
        press(desk, 10 * i, SCIENCE, KEY_KIND_SUBJECT, "Octopus");
        press(desk, 10 * i + 1, SCIENCE, KEY_KIND_DONE, "Done");
    }
    press(desk, 40, SCIENCE, KEY_KIND_SUBJECT, "Octopus");
    assert_int_equal(press(desk, 41, SCIENCE, KEY_KIND_AGAIN, "Again").sighting, 4);
    assert_int_equal(sighting(desk, 4).again_of, 3);
    press(desk, 42, SCIENCE, KEY_KIND_AGAIN, "Again");
    assert_int_equal(sighting(desk, 4).again_of, 2);
    press(desk, 43, SCIENCE, KEY_KIND_AGAIN, "Again");
    press(desk, 44, SCIENCE, KEY_KIND_STRIKE, "Strike");
    assert_int_equal(sighting(desk, 4).again_of, 2);
    press(desk, 45, SCIENCE, KEY_KIND_AGAIN, "Again");
    assert_int_equal(press(desk, 46, SCIENCE, KEY_KIND_AGAIN, "Again").note, WATCH_NOTE_NO_EARLIER);
    assert_int_equal(sighting(desk, 4).again_of, 1);
}

static void again_before_the_subject_waits_for_it(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, NAV, KEY_KIND_SUBJECT, "Octopus");
    press(desk, 2, NAV, KEY_KIND_DONE, "Done");
    press(desk, 10, SCIENCE, KEY_KIND_AGAIN, "Again");
    uint32_t waiting = desk->next_marker;
    press(desk, 11, SCIENCE, KEY_KIND_SUBJECT, "Octopus");
    struct sighting back = sighting(desk, 2);
    assert_int_equal(back.again_of, 1);
    assert_int_equal(back.marker_count, 2);
    assert_int_equal(back.last_marker, desk->next_marker);
    assert_int_equal(link_of(desk, waiting).sighting, 2);
    assert_int_equal(desk->links, 1);
    press(desk, 12, SCIENCE, KEY_KIND_DONE, "Done");

    press(desk, 13, SCIENCE, KEY_KIND_AGAIN, "Again");
    uint32_t in_vain = desk->next_marker;
    press(desk, 14 + IDLE_S, SCIENCE, KEY_KIND_SUBJECT, "Octopus");
    assert_int_equal(sighting(desk, 3).again_of, 0);
    assert_int_equal(link_of(desk, in_vain).note, WATCH_NOTE_UNTIED);
    press(desk, 15 + IDLE_S, SCIENCE, KEY_KIND_DONE, "Done");

    press(desk, 400, SCIENCE, KEY_KIND_AGAIN, "Again");
    press(desk, 401, SCIENCE, KEY_KIND_AGAIN, "Again");
    press(desk, 402, SCIENCE, KEY_KIND_SUBJECT, "Never seen");
    assert_int_equal(link_of(desk, desk->next_marker - 2).note, WATCH_NOTE_UNTIED);
    assert_int_equal(link_of(desk, desk->next_marker - 1).note, WATCH_NOTE_NO_EARLIER);
}

static void again_may_name_the_sighting(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Egg case");
    press(desk, 2, SCIENCE, KEY_KIND_SUBJECT, "Octopus");
    struct watch_fact fact = fact_of(desk, 3, SCIENCE, KEY_KIND_AGAIN, "Again");
    fact.target = 1;
    watchlog_press(desk->log, &fact, hear, desk);
    assert_int_equal(sighting(desk, 2).again_of, 1);
    fact = fact_of(desk, 4, SCIENCE, KEY_KIND_AGAIN, "Again");
    fact.target = 2;
    assert_int_equal(watchlog_press(desk->log, &fact, hear, desk).note, WATCH_NOTE_NO_EARLIER);
    assert_int_equal(sighting(desk, 2).again_of, 1);
}

static void strike_reaches_back_one_marker_at_a_time(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 2, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 3, NAV, KEY_KIND_WAYPOINT, "Waypoint");
    press(desk, 4, SCIENCE, KEY_KIND_STRIKE, "Strike");
    assert_int_equal(sighting(desk, 1).individuals, 1);
    assert_int_equal(link_of(desk, 2).struck_by, 4);
    assert_int_equal(link_of(desk, 2).note, WATCH_NOTE_STRUCK);
    assert_int_equal(link_of(desk, 2).sighting, 0);
    assert_int_equal(desk->last_strike.marker, 2);
    press(desk, 5, SCIENCE, KEY_KIND_STRIKE, "Strike");
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_STRUCK);
    assert_int_equal(sighting(desk, 1).individuals, 0);
    assert_int_equal(press(desk, 6, SCIENCE, KEY_KIND_STRIKE, "Strike").note, WATCH_NOTE_NO_TARGET);
    assert_int_equal(link_of(desk, 3).note, WATCH_NOTE_NONE);
    assert_int_equal(desk->strikes, 2);
    /* A number that was given is not given again. */
    assert_int_equal(press(desk, 7, SCIENCE, KEY_KIND_SUBJECT, "Crab").sighting, 2);
}

static void struck_strike_lets_its_marker_stand_again(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 2, SCIENCE, KEY_KIND_STRIKE, "Strike");
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_STRUCK);
    assert_false(watchlog_strike(desk->log, 1, true, hear, desk));
    assert_true(watchlog_strike(desk->log, 2, true, hear, desk));
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_OPEN);
    assert_int_equal(desk->restored, 1);
    assert_false(watchlog_strike(desk->log, 2, true, hear, desk));
    assert_true(watchlog_strike(desk->log, 2, false, hear, desk));
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_STRUCK);
    assert_false(watchlog_strike(desk->log, 77, true, hear, desk));
}

static void struck_done_reopens(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 2, SCIENCE, KEY_KIND_DONE, "Done");
    press(desk, 3, SCIENCE, KEY_KIND_STRIKE, "Strike");
    struct sighting fish = sighting(desk, 1);
    assert_int_equal(fish.state, WATCH_STATE_OPEN);
    assert_int_equal(fish.close, WATCH_CLOSE_NONE);
    assert_int_equal(fish.marker_count, 1);
    assert_int_equal(press(desk, 4, SCIENCE, KEY_KIND_DETAIL, "Feeding").sighting, 1);
}

static void struck_subject_gives_its_details_back(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 2, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    press(desk, 3, SCIENCE, KEY_KIND_DETAIL, "Feeding");
    assert_true(watchlog_strike(desk->log, 2, true, hear, desk));
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_OPEN);
    assert_int_equal(sighting(desk, 2).state, WATCH_STATE_STRUCK);
    assert_int_equal(link_of(desk, 3).sighting, 1);
    assert_true(desk->recomputed > 0);
    assert_true(watchlog_strike(desk->log, 2, false, hear, desk));
    assert_int_equal(link_of(desk, 3).sighting, 2);
    assert_int_equal(sighting(desk, 2).state, WATCH_STATE_OPEN);
}

static void idleness_closes_at_the_last_marker(void **state)
{
    struct desk *desk = *state;
    utc_ns due;
    assert_false(watchlog_idle_due(desk->log, &due));
    press(desk, 10, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 20, SCIENCE, KEY_KIND_DETAIL, "Feeding");
    press(desk, 25, NAV, KEY_KIND_SUBJECT, "Rock");
    assert_true(watchlog_idle_due(desk->log, &due));
    assert_true(due.ns == at(20 + IDLE_S).ns);
    watchlog_idle(desk->log, at(19 + IDLE_S), hear, desk);
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_OPEN);
    watchlog_idle(desk->log, due, hear, desk);
    struct sighting fish = sighting(desk, 1);
    assert_int_equal(fish.close, WATCH_CLOSE_IDLE);
    assert_int_equal(fish.closed_by, 0);
    assert_true(fish.end.ns == at(20).ns);
    assert_int_equal(sighting(desk, 2).state, WATCH_STATE_OPEN);
    assert_true(watchlog_idle_due(desk->log, &due));
    assert_true(due.ns == at(25 + IDLE_S).ns);
    /* Nobody called: the next press of the seat finds it idle. */
    assert_int_equal(press(desk, 30 + IDLE_S, NAV, KEY_KIND_DETAIL, "Pillow").note, WATCH_NOTE_LOOSE);
    assert_int_equal(sighting(desk, 2).close, WATCH_CLOSE_IDLE);
    /* A detail that comes late keeps the sighting open longer. */
    struct watch_fact late = fact_of(desk, 200, SCIENCE, KEY_KIND_DETAIL, "Swims");
    assert_int_equal(watchlog_press(desk->log, &late, hear, desk).sighting, 1);
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_OPEN);
}

static void idle_time_zero_never_closes(void **state)
{
    struct desk *desk = *state;
    utc_ns due;
    watchlog_set_idle(desk->log, 0);
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    assert_true(watchlog_idle_due(desk->log, &due)); /* this dive began with another idle time */
    watchlog_dive_begin(desk->log, at(1000));
    press(desk, 1001, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    assert_false(watchlog_idle_due(desk->log, &due));
    assert_int_equal(press(desk, 90000, SCIENCE, KEY_KIND_DETAIL, "Feeding").sighting, 1);
}

static void dive_end_closes_everything(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, NAV, KEY_KIND_PHASE, "on bottom");
    press(desk, 2, NAV, KEY_KIND_TRANSECT, "Transect");
    press(desk, 3, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    watchlog_dive_end(desk->log, at(60), hear, desk);
    assert_int_equal(sighting(desk, 1).close, WATCH_CLOSE_DIVE_END);
    assert_true(sighting(desk, 1).end.ns == at(60).ns);
    assert_int_equal(span(desk, 1).close, WATCH_CLOSE_DIVE_END);
    assert_int_equal(span(desk, 2).close, WATCH_CLOSE_DIVE_END);
    struct watch_status status;
    watchlog_status(desk->log, at(90), &status);
    assert_false(status.dive_open);
    assert_int_equal(status.open_spans, 0);
    assert_true(status.bottom_ns == 59 * NS_PER_S);
    /* A press that waited in its pad still finds its place. */
    struct watch_fact late = fact_of(desk, 30, SCIENCE, KEY_KIND_DONE, "Done");
    assert_int_equal(watchlog_press(desk->log, &late, hear, desk).sighting, 1);
    assert_int_equal(sighting(desk, 1).close, WATCH_CLOSE_KEY);
    assert_int_equal(press(desk, 61, SCIENCE, KEY_KIND_SUBJECT, "Fish").note, WATCH_NOTE_OUTSIDE);
    watchlog_dive_end(desk->log, at(99), hear, desk);
    assert_true(span(desk, 1).end.ns == at(60).ns);
}

static void spans_toggle_and_transects_are_numbered(void **state)
{
    struct desk *desk = *state;
    assert_int_equal(press(desk, 1, NAV, KEY_KIND_TRANSECT, "Transect").object, 1);
    assert_int_equal(press(desk, 2, SCIENCE, KEY_KIND_SPAN, "Close-up").object, 2);
    assert_int_equal(press(desk, 3, SCIENCE, KEY_KIND_TRANSECT, "Transect").object, 1);
    assert_int_equal(press(desk, 4, NAV, KEY_KIND_TRANSECT, "Transect").object, 3);
    assert_int_equal(span(desk, 1).transect, 1);
    assert_int_equal(span(desk, 2).transect, 0);
    assert_int_equal(span(desk, 3).transect, 2);
    assert_int_equal(span(desk, 1).state, WATCH_STATE_CLOSED);
    assert_int_equal(span(desk, 1).closed_by, 3);
    assert_true(span(desk, 1).end.ns - span(desk, 1).start.ns == 2 * NS_PER_S);
    assert_int_equal(span(desk, 2).state, WATCH_STATE_OPEN);
}

static void off_bottom_closes_open_spans(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, NAV, KEY_KIND_PHASE, "in water");
    press(desk, 2, NAV, KEY_KIND_SPAN, "Descent survey");
    press(desk, 3, NAV, KEY_KIND_PHASE, "on bottom");
    assert_int_equal(span(desk, 2).state, WATCH_STATE_OPEN);
    press(desk, 4, NAV, KEY_KIND_TRANSECT, "Transect");
    press(desk, 9, NAV, KEY_KIND_PHASE, "off bottom");
    assert_int_equal(span(desk, 2).close, WATCH_CLOSE_OFF_BOTTOM);
    assert_int_equal(span(desk, 4).close, WATCH_CLOSE_OFF_BOTTOM);
    assert_int_equal(span(desk, 4).closed_by, desk->next_marker);
    assert_int_equal(span(desk, 3).close, WATCH_CLOSE_KEY);
    assert_int_equal(press(desk, 10, NAV, KEY_KIND_PHASE, "off bottom").note, WATCH_NOTE_REPEATED);
    /* Back into the water without an off bottom: the bottom was left all the same. */
    press(desk, 11, NAV, KEY_KIND_PHASE, "on bottom");
    press(desk, 12, NAV, KEY_KIND_SPAN, "Close-up");
    uint32_t close_up = span(desk, watchlog_last_span(desk->log)).number;
    press(desk, 13, NAV, KEY_KIND_PHASE, "in water");
    assert_int_equal(span(desk, close_up).close, WATCH_CLOSE_OFF_BOTTOM);
}

static void too_many_spans_open(void **state)
{
    struct desk *desk = *state;
    char label[] = "Span a";
    for (int i = 0; i < WATCH_SPANS_MAX; i++, label[5]++)
        assert_int_equal(press(desk, i, NAV, KEY_KIND_SPAN, label).note, WATCH_NOTE_NONE);
    assert_int_equal(press(desk, 50, NAV, KEY_KIND_SPAN, label).note, WATCH_NOTE_TOO_MANY);
    press(desk, 51, NAV, KEY_KIND_PHASE, "off bottom");
    for (uint32_t n = 1; n <= WATCH_SPANS_MAX; n++)
        assert_int_equal(span(desk, n).close, WATCH_CLOSE_OFF_BOTTOM);
}

static void bottom_time_counts_every_stay(void **state)
{
    struct desk *desk = *state;
    struct watch_status status;
    watchlog_set_planned_bottom(desk->log, 100 * NS_PER_S);
    press(desk, 10, NAV, KEY_KIND_PHASE, "on bottom");
    watchlog_status(desk->log, at(40), &status);
    assert_true(status.bottom_ns == 30 * NS_PER_S);
    assert_true(status.left_ns == 70 * NS_PER_S);
    assert_int_equal(status.phase, DIVE_PHASE_ON_BOTTOM);
    press(desk, 50, NAV, KEY_KIND_PHASE, "off bottom");
    press(desk, 100, NAV, KEY_KIND_PHASE, "on bottom");
    struct watch_fact fact = fact_of(desk, 150, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    fact.lead_ms = 2000;
    watchlog_press(desk->log, &fact, hear, desk);
    watchlog_status(desk->log, at(180), &status);
    assert_true(status.bottom_ns == 120 * NS_PER_S);
    assert_true(status.planned && status.left_ns == -20 * NS_PER_S);
    assert_int_equal(status.seat[SCIENCE].in_hand, 1);
    assert_int_equal(status.seat[SCIENCE].open, 1);
    assert_true(status.seat[SCIENCE].so_far_ns == 32 * NS_PER_S);
    assert_string_equal(status.seat[SCIENCE].label, "Fish");
    assert_string_equal(status.seat[NAV].label, "");
    assert_int_equal(status.sightings, 1);
}

static void samples_fill_containers(void **state)
{
    struct desk *desk = *state;
    uint32_t numbers[4];
    assert_int_equal(take(desk, 1, "BOX-1", 2).object, 1);
    assert_int_equal(take(desk, 2, "TUBE-1", 1).object, 2);
    assert_int_equal(take(desk, 3, "BOX-1", 2).object, 3);
    struct watch_link full = take(desk, 4, "BOX-1", 2);
    assert_int_equal(full.note, WATCH_NOTE_REFUSED);
    assert_int_equal(full.object, 0);
    assert_int_equal(desk->refusals, 1);
    assert_int_equal(desk->refusal.held, 2);
    assert_int_equal(desk->refusal.listed, 2);
    assert_int_equal(desk->refusal.number[0], 1);
    assert_int_equal(desk->refusal.number[1], 3);
    assert_string_equal(desk->refusing, "BOX-1");
    assert_int_equal(watchlog_contents(desk->log, "BOX-1", numbers, 4), 2);
    assert_int_equal(watchlog_contents(desk->log, "BOX-1", numbers, 1), 2);
    assert_int_equal(numbers[0], 1);
    /* The refused press, struck, frees nothing; the sample before it does, and its number is retired. */
    press(desk, 5, NAV, KEY_KIND_STRIKE, "Strike");
    assert_int_equal(watchlog_contents(desk->log, "BOX-1", NULL, 0), 2);
    press(desk, 6, NAV, KEY_KIND_STRIKE, "Strike");
    assert_int_equal(desk->last_sample.state, WATCH_STATE_STRUCK);
    assert_int_equal(desk->last_sample.number, 3);
    assert_int_equal(watchlog_contents(desk->log, "BOX-1", NULL, 0), 1);
    assert_int_equal(take(desk, 7, "BOX-1", 2).object, 4);
    assert_int_equal(take(desk, 8, "", 0).object, 5);
    assert_int_equal(desk->refusals, 1);
}

static void a_refusal_stays_a_refusal(void **state)
{
    struct desk *desk = *state;
    take(desk, 1, "BOX-1", 1);
    take(desk, 2, "BOX-1", 1);
    assert_true(watchlog_strike(desk->log, 1, true, hear, desk));
    assert_int_equal(link_of(desk, 2).note, WATCH_NOTE_REFUSED);
    assert_int_equal(take(desk, 3, "BOX-1", 1).object, 2);
    /* Standing again, it is in a box that is too small for both: the record says what was said. */
    assert_true(watchlog_strike(desk->log, 1, false, hear, desk));
    assert_int_equal(watchlog_contents(desk->log, "BOX-1", NULL, 0), 2);
}

static void sample_knows_sighting_and_gear(void **state)
{
    struct desk *desk = *state;
    struct sample found;
    press(desk, 1, NAV, KEY_KIND_GEAR, "Claw");
    press(desk, 2, NAV, KEY_KIND_SUBJECT, "Coral");
    take(desk, 3, "BOX-1", 0);
    assert_true(watchlog_sample(desk->log, 1, &found));
    assert_int_equal(found.sighting, 1);
    assert_string_equal(found.gear, "Claw");
    assert_int_equal(sighting(desk, 1).marker_count, 2);
    struct watch_fact fact = fact_of(desk, 4, SCIENCE, KEY_KIND_SAMPLE, "Water");
    strcpy(fact.gear, "Bottle");
    watchlog_press(desk->log, &fact, hear, desk);
    assert_true(watchlog_sample(desk->log, 2, &found));
    assert_string_equal(found.gear, "Bottle");
    assert_int_equal(found.sighting, 0);
    /* A gear change that comes late: the samples behind it were taken with it. */
    struct watch_fact late = fact_of(desk, 2.5, NAV, KEY_KIND_GEAR, "Suction");
    watchlog_press(desk->log, &late, hear, desk);
    assert_true(watchlog_sample(desk->log, 1, &found));
    assert_string_equal(found.gear, "Suction");
    struct watch_status status;
    watchlog_status(desk->log, at(5), &status);
    assert_string_equal(status.gear, "Suction");
    assert_int_equal(status.samples, 2);
}

static void waypoints_are_numbered(void **state)
{
    struct desk *desk = *state;
    assert_int_equal(press(desk, 1, NAV, KEY_KIND_WAYPOINT, "Waypoint").object, 1);
    assert_int_equal(press(desk, 2, SCIENCE, KEY_KIND_WAYPOINT, "Waypoint").object, 2);
    press(desk, 3, SCIENCE, KEY_KIND_STRIKE, "Strike");
    assert_int_equal(press(desk, 4, NAV, KEY_KIND_WAYPOINT, "Waypoint").object, 3);
}

static void badge_says_who_recorded(void **state)
{
    struct desk *desk = *state;
    watchlog_set_who(desk->log, SCIENCE, "R. Halvard");
    assert_string_equal(press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish").who, "R. Halvard");
    assert_string_equal(press(desk, 10, SCIENCE, KEY_KIND_BADGE, "I. Tarn").who, "I. Tarn");
    assert_string_equal(press(desk, 11, NAV, KEY_KIND_WAYPOINT, "Waypoint").who, "");
    assert_string_equal(press(desk, 12, SCIENCE, KEY_KIND_DETAIL, "Feeding").who, "I. Tarn");
    /* A late marker belongs to who sat there then. */
    struct watch_fact late = fact_of(desk, 5, SCIENCE, KEY_KIND_DETAIL, "Swims");
    assert_string_equal(watchlog_press(desk->log, &late, hear, desk).who, "R. Halvard");
    uint32_t links = desk->links;
    assert_true(watchlog_strike(desk->log, 2, true, hear, desk));
    assert_string_equal(link_of(desk, 4).who, "R. Halvard");
    assert_int_equal(desk->links, links + 2);
    assert_true(watchlog_strike(desk->log, 2, false, hear, desk));
    watchlog_dive_end(desk->log, at(20), hear, desk);
    watchlog_dive_begin(desk->log, at(100));
    struct watch_status status;
    watchlog_status(desk->log, at(101), &status);
    assert_string_equal(status.seat[SCIENCE].who, "I. Tarn");
}

static void late_press_takes_its_place_in_time(void **state)
{
    struct desk *desk = *state;
    press(desk, 10, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 20, SCIENCE, KEY_KIND_DETAIL, "Feeding");
    assert_int_equal(desk->recomputed, 0);
    struct watch_fact late = fact_of(desk, 15, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    struct watch_link link = watchlog_press(desk->log, &late, hear, desk);
    assert_int_equal(link.sighting, 2);
    assert_int_equal(sighting(desk, 1).close, WATCH_CLOSE_SUBJECT);
    assert_int_equal(link_of(desk, 2).sighting, 2);
    assert_int_equal(desk->recomputed, 3); /* both sightings and the detail */
}

static void late_press_can_make_a_sighting_go(void **state)
{
    struct desk *desk = *state;
    press(desk, 10, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    struct watch_fact late = fact_of(desk, 5, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    assert_int_equal(watchlog_press(desk->log, &late, hear, desk).sighting, 2);
    struct sighting gone = sighting(desk, 1);
    assert_int_equal(gone.state, WATCH_STATE_WITHDRAWN);
    assert_int_equal(sighting(desk, 2).individuals, 2);
    assert_int_equal(link_of(desk, 1).sighting, 2);
    /* The late one was a slip: the first number is there again. */
    assert_true(watchlog_strike(desk->log, 2, true, hear, desk));
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_OPEN);
    assert_int_equal(sighting(desk, 2).state, WATCH_STATE_STRUCK);
}

static void retimed_marker_moves(void **state)
{
    struct desk *desk = *state;
    press(desk, 10, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 20, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    press(desk, 21, SCIENCE, KEY_KIND_DETAIL, "Feeding");
    assert_true(watchlog_retime(desk->log, 3, at(19), hear, desk));
    assert_int_equal(link_of(desk, 3).sighting, 1);
    assert_true(watchlog_retime(desk->log, 1, at(9.5), hear, desk));
    assert_true(sighting(desk, 1).key.ns == at(9.5).ns);
    assert_true(desk->last_sighting.key.ns == at(9.5).ns);
    assert_false(watchlog_retime(desk->log, 1, at(9.5), hear, desk));
    assert_false(watchlog_retime(desk->log, 9, at(9.5), hear, desk));
    assert_false(watchlog_retime(desk->log, 1, (utc_ns){INT64_MAX}, hear, desk));
}

static void held_changes_leave_as_one(void **state)
{
    struct desk *desk = *state;
    press(desk, 10, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    press(desk, 20, SCIENCE, KEY_KIND_DONE, "Done");
    uint32_t before = desk->sightings;
    watchlog_hold(desk->log);
    assert_true(watchlog_retime(desk->log, 1, at(11), hear, desk));
    assert_true(watchlog_retime(desk->log, 2, at(21), hear, desk));
    press(desk, 15, SCIENCE, KEY_KIND_DETAIL, "Feeding");
    press(desk, 30, NAV, KEY_KIND_WAYPOINT, "Waypoint");
    watchlog_idle(desk->log, at(5000), hear, desk);
    assert_int_equal(desk->sightings, before);
    assert_int_equal(desk->links, 0);
    watchlog_release(desk->log, hear, desk);
    assert_int_equal(desk->sightings, before + 1);
    assert_int_equal(desk->links, 2);
    assert_int_equal(link_of(desk, 3).sighting, 1);
    assert_int_equal(link_of(desk, 4).object, 1);
    watchlog_release(desk->log, hear, desk);
    assert_int_equal(desk->links, 2);
}

static void held_key_takes_the_place_of_its_tap(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    press(desk, 5, SCIENCE, KEY_KIND_SUBJECT, "Fish"); /* the key-down */
    struct watch_fact held = fact_of(desk, 5, SCIENCE, KEY_KIND_SUBJECT, "Shark or ray");
    held.instead_of = 2;
    assert_int_equal(watchlog_press(desk->log, &held, hear, desk).sighting, 2);
    struct sighting shark = sighting(desk, 2);
    assert_string_equal(shark.label, "Shark or ray");
    assert_int_equal(shark.opened_by, 3);
    assert_int_equal(link_of(desk, 2).note, WATCH_NOTE_STRUCK);
    assert_int_equal(sighting(desk, 1).closed_by, 3);
    assert_int_equal(watchlog_last_sighting(desk->log), 2);
    /* A sample's number stays with the tap, retired: the box of the other may be full. */
    take(desk, 6, "BOX-1", 1);
    held = fact_of(desk, 6, NAV, KEY_KIND_SAMPLE, "Sample");
    held.instead_of = 4;
    assert_int_equal(watchlog_press(desk->log, &held, hear, desk).object, 2);
    assert_int_equal(watchlog_contents(desk->log, "BOX-1", NULL, 0), 0);
    /* Another kind of thing: the sighting is struck with its tap. */
    press(desk, 8, SCIENCE, KEY_KIND_SUBJECT, "Coral");
    held = fact_of(desk, 8, SCIENCE, KEY_KIND_NOTE, "Note");
    held.instead_of = desk->next_marker - 1;
    assert_int_equal(watchlog_press(desk->log, &held, hear, desk).sighting, 2);
    assert_int_equal(sighting(desk, 3).state, WATCH_STATE_STRUCK);
    held = fact_of(desk, 9, SCIENCE, KEY_KIND_NOTE, "Note");
    held.instead_of = 99;
    assert_int_equal(watchlog_press(desk->log, &held, hear, desk).note, WATCH_NOTE_NONE);
}

static void full_log_loses_no_order(void **state)
{
    struct desk *desk = *state;
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    while (watchlog_room(desk->log) > 0)
        press(desk, 2, NAV, KEY_KIND_NOTE, "Note");
    assert_int_equal(watchlog_count(desk->log), CAPACITY);
    struct watch_link beyond = press(desk, 3, SCIENCE, KEY_KIND_SUBJECT, "Crab");
    assert_int_equal(beyond.note, WATCH_NOTE_LOG_FULL);
    assert_int_equal(beyond.marker, desk->next_marker);
    assert_int_equal(sighting(desk, 1).state, WATCH_STATE_OPEN);
    assert_true(watchlog_strike(desk->log, 2, true, hear, desk));
    watchlog_dive_end(desk->log, at(9), hear, desk);
    assert_int_equal(sighting(desk, 1).close, WATCH_CLOSE_DIVE_END);
}

static void what_the_log_does_not_take(void **state)
{
    struct desk *desk = *state;
    struct watch_fact fact = fact_of(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    watchlog_press(desk->log, &fact, hear, desk);
    assert_int_equal(watchlog_press(desk->log, &fact, hear, desk).note, WATCH_NOTE_OUTSIDE); /* doubled */
    struct watch_fact bad = fact_of(desk, 1, WATCH_SEATS_MAX, KEY_KIND_SUBJECT, "Fish");
    assert_int_equal(watchlog_press(desk->log, &bad, hear, desk).note, WATCH_NOTE_OUTSIDE);
    bad = fact_of(desk, 1, SCIENCE, KEY_KINDS, "Fish");
    assert_int_equal(watchlog_press(desk->log, &bad, hear, desk).note, WATCH_NOTE_OUTSIDE);
    bad = fact_of(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    bad.at.ns = INT64_MIN;
    assert_int_equal(watchlog_press(desk->log, &bad, hear, desk).note, WATCH_NOTE_OUTSIDE);
    bad = fact_of(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    bad.marker = 0;
    assert_int_equal(watchlog_press(desk->log, &bad, hear, desk).note, WATCH_NOTE_OUTSIDE);
    assert_int_equal(watchlog_count(desk->log), 1);
    /* Before the dive: kept in order, part of nothing, until a better clock puts it inside. */
    assert_int_equal(press(desk, -5, NAV, KEY_KIND_SUBJECT, "Crab").note, WATCH_NOTE_OUTSIDE);
    assert_true(watchlog_retime(desk->log, desk->next_marker, at(5), hear, desk));
    assert_int_equal(sighting(desk, 2).state, WATCH_STATE_OPEN);
    assert_null(watchlog_init(desk->memory, 16, CAPACITY));
    struct sighting none;
    assert_false(watchlog_sighting(desk->log, 0, &none));
    assert_false(watchlog_sighting(desk->log, 3, &none));
}

static void a_key_becomes_a_fact(void **state)
{
    struct key_def key = {.kind = KEY_KIND_SAMPLE,
                          .lead_ms = 7,
                          .label = "Core",
                          .term = "x:y",
                          .container = "QUIVER",
                          .gear = "Corer"};
    struct watch_fact fact;
    (void)state;
    watch_fact_of_key(&fact, &key, 6);
    assert_int_equal(fact.kind, KEY_KIND_SAMPLE);
    assert_int_equal(fact.capacity, 6);
    assert_int_equal(fact.lead_ms, 7);
    assert_string_equal(fact.label, "Core");
    assert_string_equal(fact.term, "x:y");
    assert_string_equal(fact.container, "QUIVER");
    assert_string_equal(fact.gear, "Corer");
    assert_int_equal(fact.marker + fact.seat + fact.target + fact.instead_of, 0);
}

static void names_and_settings_out_of_range(void **state)
{
    struct desk *desk = *state;
    struct watch_status status;
    char long_name[WHO_SIZE * 2];
    utc_ns due;
    memset(long_name, 'n', sizeof long_name - 1);
    long_name[sizeof long_name - 1] = '\0';
    watchlog_set_who(desk->log, WATCH_SEATS_MAX, "nobody");
    watchlog_set_who(desk->log, NAV, long_name);
    watchlog_set_idle(desk->log, -1);
    watchlog_set_planned_bottom(desk->log, -1);
    watchlog_dive_begin(desk->log, at(0));
    press(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    assert_false(watchlog_idle_due(desk->log, &due));
    watchlog_status(desk->log, at(2), &status);
    assert_false(status.planned);
    assert_int_equal(strlen(status.seat[NAV].who), WHO_SIZE - 1);
    assert_string_equal(watch_state_name(WATCH_STATE_WITHDRAWN), "withdrawn");
    assert_string_equal(watch_state_name((enum watch_state)99), "");
    assert_string_equal(watch_close_name(WATCH_CLOSE_IDLE), "idle");
    assert_string_equal(watch_close_name((enum watch_close)99), "");
}

static void contents_list_the_lowest_numbers_in_order(void **state)
{
    struct desk *desk = *state;
    uint32_t numbers[2];
    take(desk, 10, "BOX-1", 0);
    take(desk, 5, "BOX-1", 0); /* late: earlier in time, later in number */
    take(desk, 1, "BOX-1", 0);
    assert_int_equal(watchlog_contents(desk->log, "BOX-1", numbers, 2), 3);
    assert_int_equal(numbers[0], 1);
    assert_int_equal(numbers[1], 2);
}

static void without_a_dive_only_badges_count(void **state)
{
    struct desk *desk = *state;
    size_t size = watchlog_size(4);
    void *memory = malloc(size);
    struct watchlog *log = watchlog_init(memory, size, 4);
    struct watch_fact fact = fact_of(desk, 1, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    assert_int_equal(watchlog_press(log, &fact, hear, desk).note, WATCH_NOTE_OUTSIDE);
    fact = fact_of(desk, 2, SCIENCE, KEY_KIND_BADGE, "I. Tarn");
    assert_string_equal(watchlog_press(log, &fact, hear, desk).who, "I. Tarn");
    watchlog_dive_end(log, at(3), hear, desk);
    watchlog_dive_begin(log, at(4));
    fact = fact_of(desk, 5, SCIENCE, KEY_KIND_SUBJECT, "Fish");
    assert_string_equal(watchlog_press(log, &fact, hear, desk).who, "I. Tarn");
    free(memory);
}

static void restored_log_goes_on_where_it_was(void **state)
{
    struct desk *desk = *state;
    struct watch_saved none = {0}, first = {.object = 1}, second = {.object = 2};
    struct watch_fact facts[] = {
        fact_of(desk, 1, NAV, KEY_KIND_TRANSECT, "Transect"),
        fact_of(desk, 2, SCIENCE, KEY_KIND_SUBJECT, "Fish"),
        fact_of(desk, 3, SCIENCE, KEY_KIND_SUBJECT, "Crab"),
        fact_of(desk, 4, NAV, KEY_KIND_SAMPLE, "Sample"),
        fact_of(desk, 5, NAV, KEY_KIND_WAYPOINT, "Waypoint"),
        fact_of(desk, 6, NAV, KEY_KIND_SAMPLE, "Sample"),
        fact_of(desk, 7, SCIENCE, KEY_KIND_DETAIL, "Feeding"),
    };
    watchlog_restore_begin(desk->log, at(0));
    assert_true(watchlog_restore_fact(desk->log, &facts[0], &first));
    assert_true(watchlog_restore_fact(desk->log, &facts[1], &first));
    assert_true(watchlog_restore_fact(desk->log, &facts[2], &second));
    assert_true(watchlog_restore_fact(desk->log, &facts[3], &first));
    assert_true(watchlog_restore_fact(desk->log, &facts[4], &none));
    assert_true(watchlog_restore_fact(desk->log, &facts[5], &none)); /* refused when it was pressed */
    assert_true(
        watchlog_restore_fact(desk->log, &facts[6], &(struct watch_saved){.object = 9, .struck = true}));
    assert_false(watchlog_restore_fact(desk->log, &facts[6], &none));
    watchlog_restore_end(desk->log, NULL);
    assert_int_equal(desk->sightings + desk->spans + desk->samples + desk->links, 0);
    assert_int_equal(link_of(desk, 6).note, WATCH_NOTE_REFUSED);
    assert_int_equal(link_of(desk, 7).note, WATCH_NOTE_STRUCK);
    assert_int_equal(press(desk, 8, SCIENCE, KEY_KIND_SUBJECT, "Crab").sighting, 2);
    assert_int_equal(press(desk, 9, SCIENCE, KEY_KIND_SUBJECT, "Fish").sighting, 3);
    assert_int_equal(press(desk, 10, NAV, KEY_KIND_TRANSECT, "Transect").object, 1);
    assert_int_equal(press(desk, 11, NAV, KEY_KIND_TRANSECT, "Transect").object, 2);
    assert_int_equal(span(desk, 2).transect, 2);
    assert_int_equal(take(desk, 12, "", 0).object, 2);
    assert_int_equal(press(desk, 13, NAV, KEY_KIND_WAYPOINT, "Waypoint").object, 2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
#define TEST(name) cmocka_unit_test_setup_teardown(name, sit_down, stand_up)
        TEST(subject_opens_and_counts),
        TEST(another_subject_closes_and_says_so),
        TEST(relation_ties_and_keeps_both_open),
        TEST(relation_between_two_of_one_kind),
        TEST(relation_without_a_second_subject_is_untied),
        TEST(too_many_tied_together),
        TEST(what_finds_nothing_open_is_kept_loose),
        TEST(each_seat_has_its_own),
        TEST(again_steps_back_through_earlier_sightings),
        TEST(again_before_the_subject_waits_for_it),
        TEST(again_may_name_the_sighting),
        TEST(strike_reaches_back_one_marker_at_a_time),
        TEST(struck_strike_lets_its_marker_stand_again),
        TEST(struck_done_reopens),
        TEST(struck_subject_gives_its_details_back),
        TEST(idleness_closes_at_the_last_marker),
        TEST(idle_time_zero_never_closes),
        TEST(dive_end_closes_everything),
        TEST(spans_toggle_and_transects_are_numbered),
        TEST(off_bottom_closes_open_spans),
        TEST(too_many_spans_open),
        TEST(bottom_time_counts_every_stay),
        TEST(samples_fill_containers),
        TEST(a_refusal_stays_a_refusal),
        TEST(sample_knows_sighting_and_gear),
        TEST(waypoints_are_numbered),
        TEST(badge_says_who_recorded),
        TEST(late_press_takes_its_place_in_time),
        TEST(late_press_can_make_a_sighting_go),
        TEST(retimed_marker_moves),
        TEST(held_changes_leave_as_one),
        TEST(held_key_takes_the_place_of_its_tap),
        TEST(full_log_loses_no_order),
        TEST(what_the_log_does_not_take),
        TEST(a_key_becomes_a_fact),
        TEST(names_and_settings_out_of_range),
        TEST(contents_list_the_lowest_numbers_in_order),
        TEST(without_a_dive_only_badges_count),
        TEST(restored_log_goes_on_where_it_was),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
