#include "app/status.h"

#include "io/hostclock.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <sys/statvfs.h>

/* With less free room the disk is called sick, in time to make room. */
#define LOW_BYTES (INT64_C(500) * 1000 * 1000)

static void disk_line(const struct status_sources *sources, struct engine_status_line *line)
{
    struct store_counts counts;
    struct statvfs disk = {0};
    store_counts(sources->store, &counts);
    bool known = statvfs(sources->config->store_file, &disk) == 0;
    int64_t free_bytes = (int64_t)(disk.f_bavail * disk.f_frsize);
    line->sick = counts.state != STORE_STATE_OK || (known && free_bytes < LOW_BYTES);
    snprintf(line->what, sizeof line->what, "disk");
    snprintf(line->text, sizeof line->text,
             "%s, %.1f GB free; %" PRIu64 " entries waiting, %" PRIu64 " telemetry values shed",
             store_state_name(counts.state), (double)free_bytes / 1e9, counts.waiting_entries,
             counts.samples_shed);
}

static bool tape_line(const struct status_sources *sources, struct engine_status_line *line)
{
    if (sources->tape == NULL)
        return false;
    int failure = tape_failed(sources->tape);
    line->sick = failure != 0;
    snprintf(line->what, sizeof line->what, "tape");
    snprintf(line->text, sizeof line->text, "%.150s%s%s", sources->config->tape_file,
             failure == 0 ? "" : ": stopped: ", failure == 0 ? "" : strerror(failure));
    return true;
}

struct pass {
    status_line_fn *line;
    void *ctx;
    bool sick;
};

static void on_line(void *ctx, const struct engine_status_line *line)
{
    const struct pass *pass = ctx;
    if (line->sick == pass->sick)
        pass->line(pass->ctx, line);
}

void status_tell(const struct status_sources *sources, status_line_fn *line, void *ctx)
{
    struct engine_status_line disk = {0}, tape = {0};
    disk_line(sources, &disk);
    bool has_tape = tape_line(sources, &tape);
    for (int i = 0; i < 2; i++) {
        struct pass pass = {line, ctx, i == 0};
        engine_status(sources->engine, hostclock_now(), on_line, &pass);
        on_line(&pass, &disk);
        if (has_tape)
            on_line(&pass, &tape);
    }
}
