#include "campaign.h"

#include <errno.h>
#include <ftw.h>
#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

uint64_t campaign_random(uint64_t *state)
{
    uint64_t z = (*state += UINT64_C(0x9e3779b97f4a7c15));
    z = (z ^ z >> 30) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ z >> 27) * UINT64_C(0x94d049bb133111eb);
    return z ^ z >> 31;
}

int64_t campaign_range(uint64_t *state, int64_t lo, int64_t hi)
{
    return lo + (int64_t)(campaign_random(state) % (uint64_t)(hi - lo + 1));
}

int64_t campaign_clock_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_BOOTTIME, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

double campaign_quantile(double *values, size_t count, double part)
{
    if (count == 0)
        return 0;
    qsort(values, count, sizeof values[0], ascending);
    return values[(size_t)(part * (double)(count - 1) + 0.5)];
}

static int remove_one(const char *path, const struct stat *status, int kind, struct FTW *walk)
{
    (void)status;
    (void)kind;
    (void)walk;
    return remove(path);
}

void campaign_remove(const char *folder)
{
    (void)nftw(folder, remove_one, 8, FTW_DEPTH | FTW_PHYS);
}

static char *read_whole(const char *path)
{
    FILE *file = fopen(path, "rb");
    char *text = NULL;
    size_t len = 0;
    size_t got = 0;
    char chunk[4096];
    if (file == NULL)
        return NULL;
    while ((got = fread(chunk, 1, sizeof chunk, file)) > 0) {
        char *bigger = realloc(text, len + got + 1);
        if (bigger == NULL)
            abort();
        text = bigger;
        memcpy(text + len, chunk, got);
        text[len += got] = '\0';
    }
    (void)fclose(file);
    return text;
}

static char *replace(char *text, const char *from, const char *to)
{
    char *found = strstr(text, from);
    while (found != NULL) {
        size_t before = (size_t)(found - text);
        size_t size = strlen(text) - strlen(from) + strlen(to) + 1;
        char *whole = malloc(size);
        if (whole == NULL)
            abort();
        snprintf(whole, size, "%.*s%s%s", (int)before, text, to, found + strlen(from));
        free(text);
        text = whole;
        found = strstr(text + before + strlen(to), from);
    }
    return text;
}

char *campaign_fill(const char *path, const char *const *pairs)
{
    char *text = read_whole(path);
    for (; text != NULL && pairs[0] != NULL; pairs += 2)
        text = replace(text, pairs[0], pairs[1]);
    return text;
}

bool campaign_write(const char *path, const char *text)
{
    FILE *file = fopen(path, "wb");
    if (file == NULL)
        return false;
    bool good = fputs(text, file) >= 0;
    return fclose(file) == 0 && good;
}

void campaign_begin(struct campaign *campaign, const char *name, const char *program)
{
    const char *seed = getenv("BELLROPE_SEED");
    const char *is_long = getenv("BELLROPE_LONG");
    const char *tmp = getenv("TMPDIR");
    memset(campaign, 0, sizeof *campaign);
    (void)setvbuf(stdout, NULL, _IOLBF, 0); /* who watches a long one sees how far it is */
    campaign->name = name;
    campaign->seed = seed != NULL ? strtoull(seed, NULL, 0) : 20310304;
    campaign->is_long = is_long != NULL && strcmp(is_long, "0") != 0;
    const char *base = strrchr(program, '/');
    snprintf(campaign->command, sizeof campaign->command, "BELLROPE_SEED=%" PRIu64 "%s %s", campaign->seed,
             campaign->is_long ? " BELLROPE_LONG=1" : "", base != NULL ? base + 1 : program);
    snprintf(campaign->folder, sizeof campaign->folder, "%s/bellrope-%s.XXXXXX", tmp != NULL ? tmp : "/tmp",
             name);
    if (mkdtemp(campaign->folder) == NULL) {
        fprintf(stderr, "%s: %s\n", campaign->folder, strerror(errno));
        exit(2);
    }
    printf("%s: seed %" PRIu64 ", the %s version\n", name, campaign->seed,
           campaign->is_long ? "long" : "short");
    (void)fflush(stdout);
}

void campaign_fail(struct campaign *campaign, const char *format, ...)
{
    va_list args;
    campaign->failures++;
    if (campaign->failures > 20)
        return;
    printf("FAILED: ");
    va_start(args, format);
    (void)vprintf(format, args);
    va_end(args);
    printf("\n");
    (void)fflush(stdout);
}

void campaign_row(struct campaign *campaign, const struct campaign_row *row)
{
    if (campaign->rows < sizeof campaign->row / sizeof campaign->row[0])
        campaign->row[campaign->rows++] = *row;
    if (row->lost != 0 || row->doubled != 0)
        campaign_fail(campaign, "%s: %" PRId64 " lost, %" PRId64 " doubled", row->fault, row->lost,
                      row->doubled);
}

int campaign_end(struct campaign *campaign)
{
    printf("\n| fault | times | at risk | lost | doubled | worst recovery, ms | repeat with |\n| --- | --- | "
           "--- | --- | --- | "
           "--- | --- |\n");
    for (size_t i = 0; i < campaign->rows; i++) {
        const struct campaign_row *row = &campaign->row[i];
        char recovery[32] = "-";
        if (row->recovery_ms >= 0)
            snprintf(recovery, sizeof recovery, "%.0f", row->recovery_ms);
        printf("| %s | %" PRId64 " | %" PRId64 " | %" PRId64 " | %" PRId64 " | %s | `%s` |\n", row->fault,
               row->times, row->at_risk, row->lost, row->doubled, recovery, campaign->command);
    }
    printf("\nverdict: %s: %s (seed %" PRIu64 ")\n", campaign->name,
           campaign->failures == 0 ? "passed" : "FAILED", campaign->seed);
    if (campaign->failures == 0 && getenv("KEEP") == NULL)
        campaign_remove(campaign->folder);
    else
        printf("what it left is in %s\n", campaign->folder);
    return campaign->failures == 0 ? 0 : 1;
}
