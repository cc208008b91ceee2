/*
 * A disk that is full, read-only, slow or failing, under a daemon that runs as it is: the faults are turned on and off beneath its SQLite
 * (shim_disk.h), and where this may be mounted, a small tmpfs is really filled. While entries cannot be written the daemon asks for red lamps, the pads
 * keep their presses, and all is as before by itself when the disk is well again, with a `fault` event to tell it.
 *
 * One call after the other also fails once: each of a commit's and of the telemetry's while the daemon works, and each of its start, where it may end
 * and say why.
 */
#include "deck.h"
#include "shim_disk.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <unistd.h>

#define MS INT64_C(1000000)

enum { WELL_MS = 15000, RED_MS = 8000 };

struct test {
    struct campaign *campaign;
    struct deck *deck;
    struct disk_faults *faults;
    char small[160]; /* the small file system; "": none */
    uint64_t chance;
};

static bool is_red(const struct test *test)
{
    return deck_is_red(test->deck, 0) && deck_is_red(test->deck, 1);
}

/*
 * Both pads are red, or presses are kept all the same: on a full disk what room the log has already is written again, for as long as that lasts.
 * False where neither is so after RED_MS.
 */
static bool turns_red(struct test *test)
{
    struct deck_count before;
    struct deck_count now;
    int64_t until_ns = campaign_clock_ns() + RED_MS * MS;
    deck_run(test->deck, 1000 * MS);
    deck_count(test->deck, &before);
    while (!is_red(test) && campaign_clock_ns() < until_ns)
        deck_run(test->deck, 5 * MS);
    deck_count(test->deck, &now);
    return is_red(test) || now.kept > before.kept + 8;
}

/* Nothing is red and no press waits for long any more. */
static bool gets_well(struct test *test)
{
    struct deck_count count;
    int64_t until_ns = campaign_clock_ns() + WELL_MS * MS;
    do {
        deck_run(test->deck, 10 * MS);
        deck_count(test->deck, &count);
    } while ((count.waiting > 0 || deck_is_red(test->deck, 0) || deck_is_red(test->deck, 1)) &&
             campaign_clock_ns() < until_ns);
    return campaign_clock_ns() < until_ns;
}

/* A row of the table from what was counted between `before` and now. */
static void tell(struct test *test, const char *fault, int64_t times, const struct deck_count *before,
                 double recovery_ms)
{
    struct deck_count now;
    deck_count(test->deck, &now);
    struct campaign_row row = {fault, times, now.at_risk - before->at_risk, 0, 0, recovery_ms};
    campaign_row(test->campaign, &row);
    printf("%s: %" PRId64 " times\n", fault, times);
}

/* One fault held for a while. Returns how long it took to get well, ms. */
static double hold(struct test *test, const char *name, void (*set)(struct test *test, bool on),
                   int64_t hold_ms, bool red)
{
    set(test, true);
    deck_run(test->deck, 400 * MS);
    deck_fault(test->deck);
    if (red && !turns_red(test))
        campaign_fail(test->campaign, "%s: the lamps are not red", name);
    deck_run(test->deck, hold_ms * MS);
    set(test, false);
    deck_fault_over(test->deck);
    int64_t began_ns = campaign_clock_ns();
    if (!gets_well(test))
        campaign_fail(test->campaign, "%s: it did not get well by itself", name);
    return (double)(campaign_clock_ns() - began_ns) / 1e6;
}

static void repeat(struct test *test, const char *name, void (*set)(struct test *test, bool on), int times,
                   int64_t hold_ms, bool red)
{
    struct deck_count before;
    double worst_ms = 0;
    deck_count(test->deck, &before);
    for (int i = 0; i < times && test->campaign->failures == 0; i++) {
        double ms = hold(test, name, set, hold_ms, red);
        worst_ms = ms > worst_ms ? ms : worst_ms;
        deck_run(test->deck, campaign_range(&test->chance, 0, 300) * MS);
    }
    tell(test, name, times, &before, worst_ms);
}

/* ---- the faults ---- */

static void set_full(struct test *test, bool on)
{
    atomic_store(&test->faults->full, on);
}

static void set_read_only(struct test *test, bool on)
{
    atomic_store(&test->faults->read_only, on);
}

static void set_slow(struct test *test, bool on)
{
    atomic_store(&test->faults->sync_delay_ms, on ? 2000 : 0);
}

/* Fills the small file system to its last byte, or frees it. */
static void set_ballast(struct test *test, bool on)
{
    static char block[65536];
    char path[200];
    snprintf(path, sizeof path, "%s/ballast", test->small);
    if (!on) {
        (void)unlink(path);
        return;
    }
    int fd = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    for (size_t size = sizeof block; size > 0; size /= 16)
        while (write(fd, block, size) == (ssize_t)size)
            ;
    (void)close(fd);
}

/* One call fails, and the next, and the next but one ... */
static void fail_each_call(struct test *test, int calls, int step)
{
    struct deck_count before;
    double worst_ms = 0;
    int times = 0;
    deck_count(test->deck, &before);
    for (int n = 1; n <= calls && test->campaign->failures == 0; n += step) {
        long struck = atomic_load(&test->faults->struck);
        int64_t until_ns = campaign_clock_ns() + 5000 * MS;
        atomic_store(&test->faults->fail_at, atomic_load(&test->faults->calls) + n);
        while (atomic_load(&test->faults->struck) == struck && campaign_clock_ns() < until_ns)
            deck_run(test->deck, MS);
        times += atomic_load(&test->faults->struck) > struck;
        deck_fault(test->deck);
        int64_t began_ns = campaign_clock_ns();
        if (!gets_well(test))
            campaign_fail(test->campaign, "call %d failed once and it did not get well", n);
        double ms = (double)(campaign_clock_ns() - began_ns) / 1e6;
        worst_ms = ms > worst_ms ? ms : worst_ms;
    }
    tell(test, "one call fails, while it works", times, &before, worst_ms);
}

static void fail_each_call_of_the_start(struct test *test, int calls, int step)
{
    struct deck_count before;
    int times = 0;
    int refused = 0;
    deck_count(test->deck, &before);
    deck_may_end(test->deck, true);
    for (int n = 1; n <= calls && test->campaign->failures == 0; n += step) {
        deck_kill(test->deck);
        atomic_store(&test->faults->calls, 0);
        atomic_store(&test->faults->fail_at, n);
        deck_fault(test->deck);
        deck_start(test->deck);
        deck_run(test->deck, campaign_range(&test->chance, 100, 300) * MS);
        times += atomic_load(&test->faults->calls) >= n;
        if (deck_alive(test->deck))
            continue;
        refused++;
        atomic_store(&test->faults->fail_at, 0);
        deck_start(test->deck);
        if (!gets_well(test))
            campaign_fail(test->campaign, "after a start that failed at call %d it did not get well", n);
    }
    atomic_store(&test->faults->fail_at, 0);
    if (!deck_alive(test->deck))
        deck_start(test->deck);
    deck_may_end(test->deck, false);
    if (!gets_well(test))
        campaign_fail(test->campaign, "after its starts it did not get well");
    printf("of %d starts with a failing call %d ended at once and said why\n", times, refused);
    tell(test, "one call fails, while it starts", times, &before, -1);
}

/* ---- the campaign ---- */

static bool open_faults(struct test *test, char path[200])
{
    snprintf(path, 200, "%s/faults", test->campaign->folder);
    int fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    if (fd < 0 || ftruncate(fd, sizeof *test->faults) != 0)
        return false;
    test->faults = mmap(NULL, sizeof *test->faults, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    (void)close(fd);
    return test->faults != MAP_FAILED;
}

static void mount_small(struct test *test)
{
    snprintf(test->small, sizeof test->small, "%s/small", test->campaign->folder);
    (void)mkdir(test->small, 0750);
    if (mount("bellrope-fault", test->small, "tmpfs", 0, test->campaign->is_long ? "size=64m" : "size=16m") ==
        0)
        return;
    printf("no small file system can be mounted here (%s): a full one is simulated only\n", strerror(errno));
    test->small[0] = '\0';
}

static void run_all(struct test *test, bool starts_alone)
{
    const bool is_long = test->campaign->is_long;
    if (starts_alone) {
        fail_each_call_of_the_start(test, is_long ? 240 : 120, is_long ? 1 : 24);
        return;
    }
    if (test->small[0] != '\0')
        repeat(test, "full, a real file system", set_ballast, is_long ? 30 : 1, 500, true);
    repeat(test, "full, simulated", set_full, is_long ? 30 : 1, 500, true);
    repeat(test, "read-only", set_read_only, is_long ? 30 : 1, 500, true);
    repeat(test, "slow: a sync takes 2 s more", set_slow, is_long ? 5 : 1, is_long ? 6000 : 2500, false);
    fail_each_call(test, is_long ? 400 : 120, is_long ? 1 : 24);
    fail_each_call_of_the_start(test, is_long ? 240 : 120, is_long ? 1 : 24);
}

static void finish(struct test *test)
{
    struct deck_verdict verdict = {0};
    struct deck_count count;
    deck_finish(test->deck, &verdict);
    deck_count(test->deck, &count);
    int64_t told = deck_ask(test->deck, "SELECT count(*) FROM journal WHERE type = 'fault'");
    printf("%" PRId64 " presses, %" PRId64 " kept; red was asked for %" PRId64 " times; %" PRId64
           " fault events\n",
           count.made, count.kept, count.red[0] + count.red[1], told);
    if (told < 2 && test->campaign->rows > 1)
        campaign_fail(test->campaign, "the journal has %" PRId64 " fault events", told);
    struct campaign_row row = {"all faults of the disk",
                               atomic_load(&test->faults->struck),
                               count.at_risk,
                               verdict.lost,
                               verdict.doubled,
                               -1};
    campaign_row(test->campaign, &row);
}

int main(int argc, char **argv)
{
    struct campaign campaign;
    struct test test = {.campaign = &campaign};
    char faults[200];
    campaign_begin(&campaign, "fault_disk", argv[0]);
    test.chance = campaign.seed ^ 3;
    if (!open_faults(&test, faults))
        return 2;
    mount_small(&test);
    const struct deck_options options = {.subscribers = 2,
                                         .press_every_ns = 330 * MS,
                                         .tick_ns = MS,
                                         .preload = FAULT_SHIM,
                                         .preload_file = faults,
                                         .database = test.small[0] != '\0' ? test.small : NULL};
    test.deck = deck_new(&campaign, &options);
    if (test.deck == NULL)
        return 2;
    deck_start(test.deck);
    deck_run(test.deck, 1500 * MS);
    if (atomic_load(&test.faults->calls) == 0)
        campaign_fail(&campaign, "the shim is not in the daemon: nothing would be tested");
    deck_presses(test.deck, true);
    deck_run(test.deck, 500 * MS);
    if (campaign.failures == 0)
        run_all(&test, argc >= 2 && strcmp(argv[1], "starts") == 0); /* fault_disk starts: that part alone */
    finish(&test);
    deck_free(test.deck);
    if (test.small[0] != '\0')
        (void)umount2(test.small, MNT_DETACH);
    return campaign_end(&campaign);
}
