/*
 * Pulled and replugged, with presses under way: pads (with and without their power), the serial lines of two feeds, and the recorder's audio, in
 * turn and at random instants. The daemon lives through it all and finds each of them again.
 */
#include "deck.h"

#include <inttypes.h>
#include <stdio.h>

#define MS INT64_C(1000000)

enum thing { THING_PAD, THING_PAD_AND_POWER, THING_FEED, THING_RECORDER, THINGS };

static void wait_a_little(struct deck *deck, uint64_t *chance, int64_t lo_ms, int64_t hi_ms)
{
    deck_run(deck, campaign_range(chance, lo_ms * 1000, hi_ms * 1000) * 1000);
}

static void pull_and_plug(struct deck *deck, uint64_t *chance, enum thing thing)
{
    int which = (int)campaign_range(chance, 0, 1);
    deck_fault(deck);
    if (thing == THING_FEED)
        deck_feed_pull(deck, which);
    else if (thing == THING_RECORDER)
        deck_recorder(deck, false);
    else
        deck_pull(deck, which, thing == THING_PAD);
    /* A finger is off the key before power is back: one that is not is a press of the new boot as well (docs/faults.md). */
    wait_a_little(deck, chance, thing == THING_PAD_AND_POWER ? 150 : 5, 300);
    if (thing == THING_FEED)
        deck_feed_plug(deck, which);
    else if (thing == THING_RECORDER)
        deck_recorder(deck, true);
    else
        deck_plug(deck, which);
    wait_a_little(deck, chance, 5, 350);
}

int main(int argc, char **argv)
{
    static const char *const names[THINGS] = {"pad pulled, keeps its power", "pad pulled, loses its power",
                                              "serial feed pulled", "recorder stopped"};
    struct campaign campaign;
    struct deck_count count = {0};
    struct deck_verdict verdict = {0};
    int64_t times[THINGS] = {0};
    int64_t at_risk[THINGS] = {0};
    (void)argc;
    campaign_begin(&campaign, "fault_pull", argv[0]);
    const int pulls = campaign.is_long ? 1200 : 40;
    const struct deck_options options = {
        .subscribers = 2, .serial_feeds = true, .press_every_ns = 330 * MS, .tick_ns = MS};
    struct deck *deck = deck_new(&campaign, &options);
    uint64_t chance = campaign.seed ^ 2;
    if (deck == NULL)
        return 2;
    deck_start(deck);
    deck_run(deck, 1000 * MS);
    deck_presses(deck, true);
    for (int i = 0; i < pulls && campaign.failures == 0; i++) {
        enum thing thing = (enum thing)campaign_range(&chance, 0, THINGS - 1);
        int64_t before = count.at_risk;
        pull_and_plug(deck, &chance, thing);
        deck_count(deck, &count);
        times[thing]++;
        at_risk[thing] += count.at_risk - before;
        if (i % 200 == 199)
            printf("%d pulls\n", i + 1);
    }
    deck_finish(deck, &verdict);
    deck_count(deck, &count);
    printf("%d pulls; %" PRId64 " presses, %" PRId64 " kept, %" PRId64
           " gone with a pad's power within a second of the press\n",
           pulls, count.made, count.kept, count.gone);
    for (int thing = 0; thing < THINGS; thing++) {
        struct campaign_row row = {names[thing], times[thing], at_risk[thing], 0, 0, -1};
        campaign_row(&campaign, &row);
    }
    struct campaign_row row = {"all pulls",  pulls,           count.at_risk,
                               verdict.lost, verdict.doubled, count.recovery_ms};
    campaign_row(&campaign, &row);
    deck_free(deck);
    return campaign_end(&campaign);
}
