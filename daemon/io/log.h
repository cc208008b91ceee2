/*
 * log: what a person reads on stderr, one line an event:
 *
 *   2031-03-04T05:06:07.089Z warning pad bridge: port /dev/ttyUSB0 hung up; looking for it again
 *
 * UTC of the system's clock, a level of fixed names (info, warning, error), then what and where. Control
 * characters that came from outside are shown as '?', so that no peer can forge a line. Lines longer than
 * LOG_LINE_MAX are cut. Any thread may call; a line is one write().
 */
#ifndef BELLROPE_IO_LOG_H
#define BELLROPE_IO_LOG_H

enum { LOG_LINE_MAX = 1024 };

enum log_level { LOG_LEVEL_INFO, LOG_LEVEL_WARNING, LOG_LEVEL_ERROR };

void log_info(const char *format, ...) __attribute__((format(printf, 1, 2)));
void log_warning(const char *format, ...) __attribute__((format(printf, 1, 2)));
void log_error(const char *format, ...) __attribute__((format(printf, 1, 2)));
void log_text(enum log_level level, const char *text);

/* Where lines go instead of stderr, without time and newline; NULL: stderr again. For tests. */
typedef void log_sink(void *ctx, enum log_level level, const char *text);
void log_divert(log_sink *sink, void *ctx);

#endif
