/*
 * Soak. A day of dive as a tape goes through the real core and store at full speed (bellrope replay), and in the long version twenty minutes of a live
 * deck. Watched are resident memory, descriptors, and the size of the database: the first two must be flat after the first quarter, the third must grow
 * evenly with what is stored.
 */
#include "deck.h"

#include <dirent.h>
#include <inttypes.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define MS INT64_C(1000000)

enum { SAMPLES_MAX = 65536, MEMORY_SLACK_KB = 3072, DESCRIPTOR_SLACK = 2 };

struct sample {
    int64_t at_ns;
    int64_t memory_kb;
    int descriptors;
    int64_t database_bytes;
};

struct soak {
    struct campaign *campaign;
    struct sample *sample;
    size_t samples;
};

static int64_t memory_of(pid_t pid)
{
    char path[64];
    char line[256];
    int64_t kb = 0;
    snprintf(path, sizeof path, "/proc/%d/status", (int)pid);
    FILE *file = fopen(path, "r");
    while (file != NULL && fgets(line, sizeof line, file) != NULL)
        if (strncmp(line, "VmRSS:", 6) == 0)
            kb = strtoll(line + 6, NULL, 10);
    if (file != NULL)
        (void)fclose(file);
    return kb;
}

static int descriptors_of(pid_t pid)
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

static int64_t size_of(const char *path, const char *suffix)
{
    char name[512];
    struct stat status;
    snprintf(name, sizeof name, "%s%s", path, suffix);
    return stat(name, &status) == 0 ? status.st_size : 0;
}

static void look(struct soak *soak, pid_t pid, const char *database)
{
    struct sample sample = {campaign_clock_ns(), memory_of(pid), descriptors_of(pid), size_of(database, "")};
    if (sample.memory_kb > 0 && soak->samples < SAMPLES_MAX)
        soak->sample[soak->samples++] = sample;
}

/* The largest between two parts of the run. */
static struct sample largest(const struct soak *soak, double from, double to)
{
    struct sample out = {0};
    for (size_t i = (size_t)(from * (double)soak->samples); i < (size_t)(to * (double)soak->samples); i++) {
        const struct sample *one = &soak->sample[i];
        out.memory_kb = one->memory_kb > out.memory_kb ? one->memory_kb : out.memory_kb;
        out.descriptors = one->descriptors > out.descriptors ? one->descriptors : out.descriptors;
        out.database_bytes =
            one->database_bytes > out.database_bytes ? one->database_bytes : out.database_bytes;
    }
    return out;
}

/* Flat: the last quarter takes no more than the second one, but for some slack. */
static void judge(struct soak *soak, const char *what, bool is_judged)
{
    printf("%s, %zu looks; the largest in each quarter:\n", what, soak->samples);
    for (int quarter = 0; quarter < 4; quarter++) {
        struct sample sample = largest(soak, quarter / 4.0, (quarter + 1) / 4.0);
        printf("  %d: memory %" PRId64 " kB, %d descriptors, database %.2f MB\n", quarter + 1,
               sample.memory_kb, sample.descriptors, (double)sample.database_bytes / 1e6);
    }
    if (!is_judged || soak->samples < 16)
        return; /* caches are still filling: the numbers alone */
    struct sample early = largest(soak, 0.25, 0.5);
    struct sample last = largest(soak, 0.75, 1);
    if (last.memory_kb > early.memory_kb + early.memory_kb / 10 + MEMORY_SLACK_KB)
        campaign_fail(soak->campaign, "%s: memory grows, from %" PRId64 " to %" PRId64 " kB", what,
                      early.memory_kb, last.memory_kb);
    if (last.descriptors > early.descriptors + DESCRIPTOR_SLACK)
        campaign_fail(soak->campaign, "%s: descriptors grow, from %d to %d", what, early.descriptors,
                      last.descriptors);
}

/* ---- a day as a tape ---- */

static bool make_day(struct soak *soak, double hours, const char *config, const char *tape)
{
    char script[256];
    char length[32];
    char text[1024];
    const char *folder = soak->campaign->folder;
    const char *const pairs[] = {"@DIR@",    folder,   "@PLANS@", FAULT_DATA, "@RATE@",  "25",
                                 "@SOCKET@", "socket", "@PORT0@", "5501",     "@PORT1@", "5502",
                                 "@PORT2@",  "5503",   "@PORT3@", "5504",     NULL};
    char *ini = campaign_fill(FAULT_DATA "/live.ini", pairs);
    snprintf(script, sizeof script, "%s/day.rig", folder);
    snprintf(length, sizeof length, "%.2f", hours);
    snprintf(text, sizeof text,
             "seed %" PRIu64 "\nworld descent 45m bottom 22.5h ascent 45m\n"
             "pad science serial P-01 clock 2900ppm swing 60ppm period 7000 batch 16ms turn 5ms\n"
             "pad nav serial P-02 clock -1400ppm swing 60ppm period 9000 batch 1ms turn 5ms\n"
             "ship every 200ms\nacoustic noise 5m outliers 3%%\nvehicle\nctd every 200ms extra 5\n"
             "recorder rate 25 start 05:00:00:00 clock 9ppm noise 30dB\n"
             "at 30 random %d pads science,nav for %d\n",
             soak->campaign->seed, (int)(hours * 300) + 20, (int)(hours * 3600) - 60);
    int status = 0;
    bool good = ini != NULL && campaign_write(config, ini) && campaign_write(script, text);
    free(ini);
    (void)fflush(stdout);
    pid_t pid = good ? fork() : -1;
    if (pid == 0) {
        (void)execl(FAULT_BUILD "/bellrope-rig", "bellrope-rig", "--script", script, "--config", config,
                    "--tape", tape, "--hours", length, (char *)NULL);
        _exit(127);
    }
    return pid > 0 && waitpid(pid, &status, 0) == pid && WIFEXITED(status) && WEXITSTATUS(status) == 0;
}

static int64_t ask(const char *database, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *stmt = NULL;
    int64_t value = INT64_MIN;
    if (sqlite3_open_v2(database, &db, SQLITE_OPEN_READONLY, NULL) == SQLITE_OK &&
        sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) == SQLITE_OK && sqlite3_step(stmt) == SQLITE_ROW)
        value = sqlite3_column_int64(stmt, 0);
    sqlite3_finalize(stmt);
    sqlite3_close(db);
    return value;
}

static void soak_simulated(struct soak *soak, double hours)
{
    char config[256];
    char tape[256];
    char database[256];
    int status = 0;
    const char *folder = soak->campaign->folder;
    snprintf(config, sizeof config, "%s/day.ini", folder);
    snprintf(tape, sizeof tape, "%s/day.tape", folder);
    snprintf(database, sizeof database, "%s/day.db", folder);
    if (!make_day(soak, hours, config, tape)) {
        campaign_fail(soak->campaign, "the day could not be made");
        return;
    }
    int64_t began_ns = campaign_clock_ns();
    (void)fflush(stdout);
    pid_t pid = fork();
    if (pid == 0) {
        (void)execl(FAULT_BUILD "/bellrope", "bellrope", "replay", tape, "-o", database, (char *)NULL);
        _exit(127);
    }
    while (waitpid(pid, &status, WNOHANG) == 0) {
        look(soak, pid, database);
        (void)usleep(20000);
    }
    if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
        campaign_fail(soak->campaign, "the replay failed");
    char what[128];
    snprintf(what, sizeof what, "%.2f simulated hours in %.1f s", hours,
             (double)(campaign_clock_ns() - began_ns) / 1e9);
    judge(soak, what, hours >= 8);
    int64_t presses = (int64_t)(hours * 300) + 20;
    int64_t markers = ask(database, "SELECT count(*) FROM marker WHERE origin = 'key'");
    int64_t gap = ask(database, "SELECT max(seq) - count(*) FROM journal");
    printf("  %" PRId64 " presses, %" PRId64 " markers, %" PRId64 " samples; %.2f MB an hour\n", presses,
           markers, ask(database, "SELECT sum(samples) FROM telemetry"),
           (double)size_of(database, "") / 1e6 / hours);
    if (gap != 0)
        campaign_fail(soak->campaign, "the journal has gaps");
    struct campaign_row row = {"simulated day", 1, presses, markers < presses ? presses - markers : 0, 0, -1};
    campaign_row(soak->campaign, &row);
}

/* ---- live ---- */

static void soak_live(struct soak *soak, int minutes)
{
    struct deck_verdict verdict = {0};
    struct deck_count count;
    const struct deck_options options = {.subscribers = 20, .press_every_ns = 1000 * MS, .tick_ns = MS};
    struct deck *deck = deck_new(soak->campaign, &options);
    soak->samples = 0;
    if (deck == NULL) {
        campaign_fail(soak->campaign, "no deck");
        return;
    }
    deck_start(deck);
    deck_run(deck, 2000 * MS);
    deck_presses(deck, true);
    for (int i = 0; i < minutes * 30 && soak->campaign->failures == 0; i++) {
        deck_run(deck, 2000 * MS);
        if (deck_alive(deck))
            look(soak, deck_pid(deck), deck_database(deck));
    }
    judge(soak, "live", minutes >= 10);
    deck_finish(deck, &verdict);
    deck_count(deck, &count);
    struct campaign_row row = {"live soak", minutes, count.made, verdict.lost, verdict.doubled, -1};
    campaign_row(soak->campaign, &row);
    deck_free(deck);
}

int main(int argc, char **argv)
{
    struct campaign campaign;
    struct soak soak = {.campaign = &campaign};
    campaign_begin(&campaign, "fault_soak", argv[0]);
    soak.sample = calloc(SAMPLES_MAX, sizeof *soak.sample);
    if (soak.sample == NULL)
        return 2;
    /* fault_soak live, fault_soak day: one part alone */
    const char *part = argc >= 2 ? argv[1] : "";
    if (strcmp(part, "live") != 0)
        soak_simulated(&soak, campaign.is_long ? 24 : 0.1);
    if (strcmp(part, "live") == 0 || (campaign.is_long && strcmp(part, "day") != 0))
        soak_live(&soak, campaign.is_long ? 20 : 1);
    free(soak.sample);
    return campaign_end(&campaign);
}
