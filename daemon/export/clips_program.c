#include "export/clips_program.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <spawn.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

extern char **environ;

#define TAIL_SIZE 400
#define LINE_SIZE 512

void clips_arg(struct clips_args *args, const char *value)
{
    args->full |= args->count + 1 >= CLIPS_ARGS_MAX;
    if (!args->full)
        args->argv[args->count++] = value;
}

void clips_argf(struct clips_args *args, const char *format, ...)
{
    va_list values;
    size_t room = sizeof args->text - args->used;
    va_start(values, format);
    int len = vsnprintf(args->text + args->used, room, format, values);
    va_end(values);
    args->full |= len < 0 || (size_t)len >= room;
    if (args->full)
        return;
    clips_arg(args, args->text + args->used);
    args->used += (size_t)len + 1;
}

struct running {
    struct clips_run *run;
    int out, err;
    size_t size; /* of run->out */
    bool failed; /* too much output, or no memory for it */
    char line[LINE_SIZE];
    size_t line_len;
    char tail[TAIL_SIZE + 1]; /* the end of stderr */
    size_t tail_len;
};

static void take_lines(struct running *running, const char *bytes, size_t len)
{
    for (size_t i = 0; i < len; i++) {
        if (bytes[i] != '\n') {
            if (running->line_len + 1 < LINE_SIZE) /* the rest of a longer one is dropped */
                running->line[running->line_len++] = bytes[i];
            continue;
        }
        running->line[running->line_len] = '\0';
        running->line_len = 0;
        running->run->line(running->run->ctx, running->line);
    }
}

static void take_output(struct running *running, const char *bytes, size_t len)
{
    struct clips_run *run = running->run;
    if (running->failed)
        return;
    if (run->len + len + 1 > running->size) {
        size_t size = running->size == 0 ? 65536 : running->size * 2;
        char *grown = size <= CLIPS_OUTPUT_MAX ? realloc(run->out, size) : NULL;
        running->failed = grown == NULL;
        if (grown == NULL)
            return;
        run->out = grown;
        running->size = size;
    }
    memcpy(run->out + run->len, bytes, len);
    run->len += len;
    run->out[run->len] = '\0';
}

static void take_tail(struct running *running, const char *bytes, size_t len)
{
    if (len > TAIL_SIZE) {
        bytes += len - TAIL_SIZE;
        len = TAIL_SIZE;
    }
    if (running->tail_len + len > TAIL_SIZE) {
        size_t drop = running->tail_len + len - TAIL_SIZE;
        memmove(running->tail, running->tail + drop, running->tail_len - drop);
        running->tail_len -= drop;
    }
    memcpy(running->tail + running->tail_len, bytes, len);
    running->tail_len += len;
    running->tail[running->tail_len] = '\0';
}

/* False: the stream has ended. */
static bool take_some(struct running *running, int fd)
{
    char bytes[16384];
    ssize_t len = read(fd, bytes, sizeof bytes);
    if (len < 0)
        return errno == EINTR;
    if (fd == running->err)
        take_tail(running, bytes, (size_t)len);
    else if (running->run->line != NULL)
        take_lines(running, bytes, (size_t)len);
    else
        take_output(running, bytes, (size_t)len);
    return len > 0;
}

static void take_all(struct running *running)
{
    struct pollfd from[2] = {{.fd = running->out, .events = POLLIN}, {.fd = running->err, .events = POLLIN}};
    while (from[0].fd >= 0 || from[1].fd >= 0) {
        if (poll(from, 2, -1) < 0 && errno != EINTR)
            return;
        for (int i = 0; i < 2; i++)
            if (from[i].fd >= 0 && from[i].revents != 0 && !take_some(running, from[i].fd))
                from[i].fd = -1;
    }
}

/* 0 or an errno. */
static int spawn(struct clips_args *args, const struct clips_run *run, int out, int err, pid_t *pid)
{
    posix_spawn_file_actions_t actions;
    char *argv[CLIPS_ARGS_MAX];
    memcpy(argv, args->argv, sizeof argv); /* spawning changes none of them */
    int failed = posix_spawn_file_actions_init(&actions);
    if (failed != 0)
        return failed;
    failed |= posix_spawn_file_actions_addopen(&actions, 0, "/dev/null", O_RDONLY, 0);
    failed |= posix_spawn_file_actions_adddup2(&actions, out, 1);
    failed |= posix_spawn_file_actions_adddup2(&actions, err, 2);
    if (run->fd3 >= 0)
        failed |= posix_spawn_file_actions_adddup2(&actions, run->fd3, 3);
    if (failed == 0)
        failed = posix_spawnp(pid, args->argv[0], &actions, NULL, argv, environ);
    posix_spawn_file_actions_destroy(&actions);
    return failed;
}

/* Its last words, in one line. */
static int say_why(const struct clips_args *args, char *tail, char *why)
{
    for (char *at = tail; *at != '\0'; at++)
        if ((unsigned char)*at < 0x20)
            *at = ' ';
    size_t len = strlen(tail);
    while (len > 0 && tail[len - 1] == ' ')
        tail[--len] = '\0';
    snprintf(why, CLIPS_WHY_SIZE, "%s says: %s", args->argv[0], len > 0 ? tail : "nothing, but it failed");
    return -1;
}

static int run_it(struct clips_args *args, struct running *running, int out, int err, char *why)
{
    pid_t pid;
    int status = 0;
    int failed = spawn(args, running->run, out, err, &pid);
    close(out);
    close(err);
    if (failed != 0) {
        snprintf(why, CLIPS_WHY_SIZE, "%s cannot be run: %s; it comes with the package ffmpeg", args->argv[0],
                 strerror(failed));
        return -1;
    }
    take_all(running);
    while (waitpid(pid, &status, 0) < 0 && errno == EINTR)
        continue;
    if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
        return say_why(args, running->tail, why);
    if (running->failed) {
        snprintf(why, CLIPS_WHY_SIZE, "%s says more than fits in memory", args->argv[0]);
        return -1;
    }
    return 0;
}

int clips_program(struct clips_args *args, struct clips_run *run, char why[CLIPS_WHY_SIZE])
{
    int out[2], err[2];
    run->out = NULL;
    run->len = 0;
    if (args->full) {
        snprintf(why, CLIPS_WHY_SIZE, "the arguments of %s are too long", args->argv[0]);
        return -1;
    }
    args->argv[args->count] = NULL;
    bool have_out = pipe2(out, O_CLOEXEC) == 0;
    if (!have_out || pipe2(err, O_CLOEXEC) != 0) {
        snprintf(why, CLIPS_WHY_SIZE, "no pipe to %s: %s", args->argv[0], strerror(errno));
        if (have_out) {
            close(out[0]);
            close(out[1]);
        }
        return -1;
    }
    struct running running = {.run = run, .out = out[0], .err = err[0]};
    int result = run_it(args, &running, out[1], err[1], why);
    close(out[0]);
    close(err[0]);
    if (result != 0) {
        free(run->out);
        run->out = NULL;
    }
    return result;
}
