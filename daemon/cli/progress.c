#include "cli/progress.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <time.h>
#include <unistd.h>

#define BAR 24
#define REDRAW_NS INT64_C(100000000)

static int64_t now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec * INT64_C(1000000000) + now.tv_nsec;
}

static void put_left(char *out, size_t size, int64_t s)
{
    if (s >= 3600)
        snprintf(out, size, "%lld h %02lld min left", (long long)(s / 3600), (long long)(s / 60 % 60));
    else if (s >= 60)
        snprintf(out, size, "%lld min %02lld s left", (long long)(s / 60), (long long)(s % 60));
    else
        snprintf(out, size, "%lld s left", (long long)s);
}

void progress_line(char out[PROGRESS_LINE], int64_t done, int64_t total, int64_t skipped, int64_t taken_ns,
                   const char *what, size_t width)
{
    char bar[BAR + 1], left[40] = "";
    int64_t worked = done - skipped;
    int filled = total > 0 ? (int)(done * BAR / total) : BAR;
    for (int i = 0; i < BAR; i++)
        bar[i] = i < filled ? '#' : '.';
    bar[BAR] = '\0';
    /* after a second there is something to judge by */
    if (worked > 0 && taken_ns > INT64_C(1000000000))
        put_left(left, sizeof left,
                 (int64_t)((double)taken_ns / 1e9 * (double)(total - done) / (double)worked + 0.5));
    snprintf(out, PROGRESS_LINE, "[%s] %3d %%  %s%s%s", bar, total > 0 ? (int)(done * 100 / total) : 100,
             left, left[0] != '\0' ? "  " : "", what != NULL ? what : "");
    if (width < PROGRESS_LINE)
        out[width] = '\0';
}

void progress_begin(struct progress *progress)
{
    const char *term = getenv("TERM");
    *progress = (struct progress){.begun_ns = now_ns()};
    progress->drawn = isatty(STDERR_FILENO) == 1 && term != NULL && strcmp(term, "dumb") != 0;
}

void progress_show(struct progress *progress, int64_t done, int64_t total, int64_t skipped, const char *what)
{
    struct winsize size = {0};
    char line[PROGRESS_LINE];
    int64_t now = now_ns();
    if (!progress->drawn || (progress->shown && now - progress->last_ns < REDRAW_NS))
        return;
    size_t width = ioctl(STDERR_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col > 1 ? size.ws_col - 1U : 79;
    progress_line(line, done, total, skipped, now - progress->begun_ns, what, width);
    fprintf(stderr, "\r%s\033[K", line);
    fflush(stderr);
    progress->last_ns = now;
    progress->shown = true;
}

void progress_end(struct progress *progress)
{
    if (progress->shown)
        fputs("\r\033[K", stderr);
    progress->shown = false;
}
