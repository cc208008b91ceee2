#include "io/log.h"

#include "core/event.h"

#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

/* Set by tests before any thread starts. */
static log_sink *diverted;
static void *diverted_ctx;

void log_divert(log_sink *sink, void *ctx)
{
    diverted = sink;
    diverted_ctx = ctx;
}

static const char *level_name(enum log_level level)
{
    static const char *const names[] = {"info", "warning", "error"};
    return names[level];
}

static utc_ns system_utc(void)
{
    struct timespec now = {0};
    (void)clock_gettime(CLOCK_REALTIME, &now);
    return (utc_ns){(int64_t)now.tv_sec * NS_PER_S + now.tv_nsec};
}

void log_text(enum log_level level, const char *text)
{
    char line[LOG_LINE_MAX + 64];
    char utc[32];
    event_utc_text(system_utc(), utc);
    int head = snprintf(line, sizeof line, "%s %s ", utc, level_name(level));
    if (head < 0)
        return;
    size_t start = (size_t)head;
    size_t len = strnlen(text, LOG_LINE_MAX);
    memcpy(line + start, text, len);
    for (size_t i = start; i < start + len; i++)
        if ((unsigned char)line[i] < 0x20 || line[i] == 0x7f)
            line[i] = '?';
    line[start + len] = '\0';
    if (diverted != NULL) {
        diverted(diverted_ctx, level, line + start);
        return;
    }
    line[start + len] = '\n';
    /* A log that cannot be written has nobody to be told to. */
    ssize_t written = write(STDERR_FILENO, line, start + len + 1);
    (void)written;
}

static void log_formatted(enum log_level level, const char *format, va_list args)
    __attribute__((format(printf, 2, 0)));

static void log_formatted(enum log_level level, const char *format, va_list args)
{
    char text[LOG_LINE_MAX + 1];
    vsnprintf(text, sizeof text, format, args);
    log_text(level, text);
}

void log_info(const char *format, ...)
{
    va_list args;
    va_start(args, format);
    log_formatted(LOG_LEVEL_INFO, format, args);
    va_end(args);
}

void log_warning(const char *format, ...)
{
    va_list args;
    va_start(args, format);
    log_formatted(LOG_LEVEL_WARNING, format, args);
    va_end(args);
}

void log_error(const char *format, ...)
{
    va_list args;
    va_start(args, format);
    log_formatted(LOG_LEVEL_ERROR, format, args);
    va_end(args);
}
