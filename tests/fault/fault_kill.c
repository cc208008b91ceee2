/*
 * SIGKILL. Two pads are pressed, feeds speak, a recorder runs, twenty subscribers listen, and the daemon is killed at random instants, a tenth of
 * them while it is still starting and a third just after a contact touched, and started again at once. What a pad showed green is stored once, what was pressed is there once in the end, the
 * journal has no gap, and a subscriber that resumes has each event once.
 */
#include "deck.h"

#include <inttypes.h>
#include <stdio.h>

#define MS INT64_C(1000000)

static void kill_often(struct campaign *campaign, struct deck *deck, int kills)
{
    uint64_t chance = campaign->seed ^ 1;
    deck_start(deck);
    deck_run(deck, 1000 * MS);
    deck_presses(deck, true);
    for (int i = 0; i < kills && campaign->failures == 0; i++) {
        int64_t life_ms = campaign_range(&chance, 0, 9) == 0 ? 30 : 700;
        deck_run(deck, campaign_range(&chance, 0, life_ms * 1000) * 1000);
        if (i % 3 == 0)
            deck_run_until(deck, deck_next_press_ns(deck) + campaign_range(&chance, 0, 6000) * 1000);
        deck_fault(deck);
        deck_kill(deck);
        deck_start(deck);
        if (i % 100 == 99) {
            printf("%d kills\n", i + 1);
            (void)fflush(stdout);
        }
    }
}

int main(int argc, char **argv)
{
    struct campaign campaign;
    struct deck_count count;
    struct deck_verdict verdict = {0};
    (void)argc;
    campaign_begin(&campaign, "fault_kill", argv[0]);
    const int kills = campaign.is_long ? 1000 : 20;
    const struct deck_options options = {.subscribers = 20, .press_every_ns = 330 * MS, .tick_ns = MS};
    struct deck *deck = deck_new(&campaign, &options);
    if (deck == NULL)
        return 2;
    kill_often(&campaign, deck, kills);
    deck_finish(deck, &verdict);
    deck_count(deck, &count);
    printf("%d kills; %" PRId64 " presses, %" PRId64 " kept, %" PRId64
           " of them refused by the plan; %" PRId64 " events to 20 subscribers, which connected %" PRId64
           " times; from the kill to the next press kept %.0f ms "
           "(median), %.0f ms at worst\n",
           kills, count.made, count.kept, count.refused, count.events, count.reconnects,
           count.recovery_median_ms, count.recovery_ms);
    struct campaign_row row = {"SIGKILL",    kills,           count.at_risk,
                               verdict.lost, verdict.doubled, count.recovery_ms};
    campaign_row(&campaign, &row);
    deck_free(deck);
    return campaign_end(&campaign);
}
