/*
 * Two hundred bad subscribers (crowd.h) come and go in turns with quiet, in one run. A pad's key is pressed all the while: what the crowd costs is the p99
 * from contact to green while they are there against the p99 while they are not. It is told, and judged by whoever reads it on a quiet machine (the
 * aim is 1.2); what is judged here is that nothing is lost, that good subscribers get everything, and that the daemon gives up what it took for the crowd.
 */
#include "crowd.h"
#include "deck.h"

#include <dirent.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MS INT64_C(1000000)

enum { PEERS = 200, MOVE_MS = 500 };

struct greens {
    double *of;
    size_t count;
};

static void gather(struct greens *all, const struct deck *deck, int64_t from_ns, int64_t to_ns)
{
    size_t count = 0;
    double *some = deck_greens(deck, from_ns, to_ns, &count);
    all->of = realloc(all->of, (all->count + count + 1) * sizeof *all->of);
    if (all->of == NULL)
        abort();
    memcpy(all->of + all->count, some, count * sizeof *some);
    all->count += count;
    free(some);
}

static int descriptors(pid_t pid)
{
    char path[64];
    int count = 0;
    snprintf(path, sizeof path, "/proc/%d/fd", (int)pid);
    DIR *folder = opendir(path);
    while (folder != NULL && readdir(folder) != NULL)
        count++;
    if (folder != NULL)
        (void)closedir(folder);
    return count;
}

static void take_turns(struct deck *deck, struct crowd *crowd, struct greens greens[2], int turns,
                       int64_t turn_ms)
{
    for (int i = 0; i < 2 * turns; i++) {
        crowd_come(crowd, i % 2 == 1);
        deck_run(deck, MOVE_MS * MS);
        int64_t from_ns = campaign_clock_ns();
        if (i % 2 == 1)
            deck_fault(deck);
        deck_run(deck, turn_ms * MS);
        int64_t to_ns = campaign_clock_ns();
        deck_run(deck, 300 * MS); /* the last ones turn green */
        gather(&greens[i % 2], deck, from_ns, to_ns);
    }
    crowd_come(crowd, false);
}

static void report(const struct crowd *crowd, struct greens greens[2])
{
    struct crowd_count count;
    double p50[2];
    double p99[2];
    crowd_count(crowd, &count);
    for (int i = 0; i < 2; i++) {
        p50[i] = campaign_quantile(greens[i].of, greens[i].count, 0.5);
        p99[i] = campaign_quantile(greens[i].of, greens[i].count, 0.99);
        printf("%s: %zu presses, contact to green %.2f ms (median), %.2f ms (p99)\n",
               i == 0 ? "without the crowd" : "with the crowd", greens[i].count, p50[i], p99[i]);
    }
    printf("ratio: %.2f (median), %.2f (p99)\n", p50[0] > 0 ? p50[1] / p50[0] : 0,
           p99[0] > 0 ? p99[1] / p99[0] : 0);
    for (int kind = 0; kind < CROWD_KINDS; kind++)
        printf("  those who %s connected %" PRId64 " times\n", crowd_kind_name((enum crowd_kind)kind),
               count.connected[kind]);
    printf("  they sent %.1f MB and took %.1f MB\n", (double)count.sent / 1e6, (double)count.taken / 1e6);
}

int main(int argc, char **argv)
{
    struct campaign campaign;
    struct deck_verdict verdict = {0};
    struct deck_count count;
    struct greens greens[2] = {{NULL, 0}, {NULL, 0}};
    (void)argc;
    campaign_begin(&campaign, "fault_crowd", argv[0]);
    const int turns = campaign.is_long ? 40 : 2;
    const struct deck_options options = {.subscribers = 20, .press_every_ns = 250 * MS, .tick_ns = MS / 4};
    struct deck *deck = deck_new(&campaign, &options);
    if (deck == NULL)
        return 2;
    struct crowd *crowd = crowd_new(deck_socket(deck), PEERS, campaign.seed ^ 4);
    deck_start(deck);
    deck_run(deck, 1500 * MS);
    deck_presses(deck, true);
    deck_run(deck, 500 * MS);
    int before = descriptors(deck_pid(deck));
    take_turns(deck, crowd, greens, turns, campaign.is_long ? 7000 : 2000);
    report(crowd, greens);
    deck_run(deck,
             (campaign.is_long ? 11000 : 1000) * MS); /* who is told to go has 10 s to fetch the notice */
    int after = descriptors(deck_pid(deck));
    printf("descriptors of the daemon: %d before, %d after\n", before, after);
    if (after > before + 2)
        campaign_fail(&campaign, "the daemon keeps %d descriptors of those who left", after - before);
    crowd_free(crowd);
    deck_finish(deck, &verdict);
    deck_count(deck, &count);
    struct campaign_row row = {"200 bad subscribers", (int64_t)turns * PEERS, count.at_risk,
                               verdict.lost,          verdict.doubled,        count.recovery_ms};
    campaign_row(&campaign, &row);
    free(greens[0].of);
    free(greens[1].of);
    deck_free(deck);
    return campaign_end(&campaign);
}
