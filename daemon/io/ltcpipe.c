#include "io/ltcpipe.h"

#include "core/fields.h"
#include "io/line.h"
#include "io/log.h"
#include "io/ltcwords.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* A command that fails at once is tried less often than a port that is not there. */
enum { FIRST_WAIT_MS = 500, LAST_WAIT_MS = 8000 };

struct ltcpipe {
    uv_loop_t *loop;
    struct line *line;
    uv_process_t process;
    bool running; /* the command has not been reaped, or its handle is not closed yet */
    bool closing, line_closed;
    struct ltcwords *words;
    int64_t samples; /* of this stream, so far */
    /* the plan */
    enum config_audio kind;
    char source[CONFIG_PATH_SIZE], folder[CONFIG_PATH_SIZE];
    struct deliver deliver;
};

/* ---- the stream ---- */

static void deliver_audio(struct ltcpipe *pipe, mono_ns now)
{
    char record[64];
    struct fields_writer writer;
    fields_begin(&writer, record, sizeof record, "audio");
    fields_put_int(&writer, "end", pipe->samples);
    pipe->deliver.fn(pipe->deliver.ctx, INPUT_AUDIO, 0, now, record, writer.len);
}

static void deliver_end(struct ltcpipe *pipe, mono_ns now, const char *why)
{
    char record[256];
    struct fields_writer writer;
    fields_begin(&writer, record, sizeof record, "audio");
    fields_put(&writer, "why", why);
    pipe->deliver.fn(pipe->deliver.ctx, INPUT_AUDIO, 0, now, record, writer.len);
}

static void deliver_word(struct ltcpipe *pipe, mono_ns now, const struct tcmap_word *found)
{
    char word[LTCPIPE_WORD_SIZE], record[160];
    struct fields_writer writer;
    for (size_t i = 0; i < sizeof found->packed; i++)
        snprintf(word + 2 * i, 3, "%02x", found->packed[i]);
    fields_begin(&writer, record, sizeof record, "ltc");
    fields_put(&writer, "word", word);
    fields_put_int(&writer, "start", found->off_start);
    fields_put_int(&writer, "end", found->off_end);
    fields_put_int(&writer, "reverse", found->reverse);
    pipe->deliver.fn(pipe->deliver.ctx, INPUT_LTC, 0, now, record, writer.len);
}

static void take_bytes(struct ltcpipe *pipe, mono_ns now, const uint8_t *bytes, size_t len)
{
    struct tcmap_word word;
    pipe->samples = ltcwords_feed(pipe->words, bytes, len);
    deliver_audio(pipe, now);
    while (!pipe->closing && ltcwords_next(pipe->words, &word))
        deliver_word(pipe, now, &word);
}

static void begin_stream(struct ltcpipe *pipe)
{
    ltcwords_restart(pipe->words);
    pipe->samples = 0;
}

static void kill_command(struct ltcpipe *pipe)
{
    if (pipe->running && !uv_is_closing((uv_handle_t *)&pipe->process))
        (void)kill(-pipe->process.pid, SIGKILL); /* the whole session: a shell's children too */
}

/* What the line says, in the kinds of a feed; the samples of a stream that never sent one need no end. */
static void on_line(void *ctx, enum input_kind kind, int source, mono_ns now, const void *bytes, size_t len)
{
    struct ltcpipe *pipe = ctx;
    (void)source;
    if (kind == INPUT_FEED_UP) {
        begin_stream(pipe);
    } else if (kind == INPUT_FEED) {
        take_bytes(pipe, now, bytes, len);
    } else if (kind == INPUT_FEED_DOWN) {
        kill_command(pipe);
        if (pipe->samples > 0)
            deliver_end(pipe, now,
                        pipe->kind == CONFIG_AUDIO_EXEC ? "the command's output ended"
                                                        : "the writer closed the fifo");
        pipe->samples = 0;
    }
}

/* ---- the command ---- */

static void free_when_done(struct ltcpipe *pipe)
{
    if (!pipe->closing || !pipe->line_closed || pipe->running)
        return;
    ltcwords_free(pipe->words);
    free(pipe);
}

static void on_process_closed(uv_handle_t *handle)
{
    struct ltcpipe *pipe = handle->data;
    pipe->running = false;
    free_when_done(pipe);
}

static void on_command_end(uv_process_t *process, int64_t status, int by_signal)
{
    struct ltcpipe *pipe = process->data;
    if (!pipe->closing && by_signal == 0)
        log_warning("timecode: the command ended with status %d; it will be started again", (int)status);
    else if (!pipe->closing && by_signal != SIGKILL)
        log_warning("timecode: the command was ended by signal %d; it will be started again", by_signal);
    uv_close((uv_handle_t *)process, on_process_closed);
}

static int spawn(struct ltcpipe *pipe, int output)
{
    char shell[] = "/bin/sh", option[] = "-c";
    char *args[] = {shell, option, pipe->source, NULL};
    uv_stdio_container_t stdio[3] = {{.flags = UV_IGNORE},
                                     {.flags = UV_INHERIT_FD, .data.fd = output},
                                     {.flags = UV_INHERIT_FD, .data.fd = STDERR_FILENO}};
    uv_process_options_t options = {.exit_cb = on_command_end,
                                    .file = shell,
                                    .args = args,
                                    .cwd = pipe->folder[0] == '\0' ? NULL : pipe->folder,
                                    .flags = UV_PROCESS_DETACHED,
                                    .stdio_count = 3,
                                    .stdio = stdio};
    int result = uv_spawn(pipe->loop, &pipe->process, &options);
    pipe->process.data = pipe;
    pipe->running = true;
    if (result != 0)
        uv_close((uv_handle_t *)&pipe->process, on_process_closed);
    return result;
}

/* A line_open_fn: the command's output. */
static int open_command(void *ctx, const char *path, char *error, size_t error_size)
{
    struct ltcpipe *pipe = ctx;
    int ends[2];
    (void)path;
    if (pipe->running) {
        snprintf(error, error_size, "the command before has not ended yet");
        return -1;
    }
    if (pipe2(ends, O_CLOEXEC) != 0 || fcntl(ends[0], F_SETFL, O_NONBLOCK) != 0) {
        snprintf(error, error_size, "%s", strerror(errno));
        return -1;
    }
    int result = spawn(pipe, ends[1]);
    close(ends[1]);
    if (result == 0)
        return ends[0];
    close(ends[0]);
    snprintf(error, error_size, "cannot be run: %s", uv_strerror(result));
    return -1;
}

struct ltcpipe *ltcpipe_new(uv_loop_t *loop, const struct ltcpipe_plan *plan)
{
    struct ltcpipe *pipe = calloc(1, sizeof *pipe);
    if (pipe == NULL)
        return NULL;
    pipe->loop = loop;
    pipe->kind = plan->kind;
    snprintf(pipe->source, sizeof pipe->source, "%s", plan->source);
    snprintf(pipe->folder, sizeof pipe->folder, "%s", plan->folder);
    pipe->words = ltcwords_new(plan->sample_rate_hz, (double)plan->sample_rate_hz /
                                                         (plan->frames_per_s > 0 ? plan->frames_per_s : 25));
    pipe->deliver = plan->deliver;
    bool command = plan->kind == CONFIG_AUDIO_EXEC;
    struct line_plan line = {.name = "timecode",
                             .path = pipe->source,
                             .open = command ? open_command : line_open_stream,
                             .open_ctx = pipe,
                             .is_command = command,
                             .first_wait_ms = command ? FIRST_WAIT_MS : 0,
                             .last_wait_ms = command ? LAST_WAIT_MS : 0,
                             .bytes = INPUT_FEED,
                             .up = INPUT_FEED_UP,
                             .down = INPUT_FEED_DOWN,
                             .deliver = {on_line, pipe}};
    pipe->line = pipe->words != NULL ? line_new(loop, &line) : NULL;
    if (pipe->line == NULL) {
        ltcwords_free(pipe->words);
        free(pipe);
        return NULL;
    }
    return pipe;
}

static void on_line_closed(void *ctx)
{
    struct ltcpipe *pipe = ctx;
    pipe->line_closed = true;
    free_when_done(pipe);
}

void ltcpipe_close(struct ltcpipe *pipe)
{
    if (pipe == NULL || pipe->closing)
        return;
    pipe->closing = true;
    kill_command(pipe);
    line_close(pipe->line, on_line_closed, pipe);
}
