/*
 * clips_program: runs a program, found on PATH, with its arguments as they are: no shell has a word in it. Its input is empty; the end of
 * what it says on stderr becomes the sentence of a failure.
 */
#ifndef BELLROPE_EXPORT_CLIPS_PROGRAM_H
#define BELLROPE_EXPORT_CLIPS_PROGRAM_H

#include "export/clips.h"

#define CLIPS_OUTPUT_MAX (64 * 1024 * 1024)
#define CLIPS_ARGS_MAX 80

/* The arguments of a run; numbers are kept in `text`. */
struct clips_args {
    const char *argv[CLIPS_ARGS_MAX];
    size_t count;
    char text[2048];
    size_t used;
    bool full; /* too many or too long: the run is refused */
};
void clips_arg(struct clips_args *args, const char *value);
void clips_argf(struct clips_args *args, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Each whole line of stdout, without its newline. */
typedef void clips_line_fn(void *ctx, const char *line);

struct clips_run {
    int fd3;             /* what the program has open as descriptor 3; -1: nothing */
    clips_line_fn *line; /* NULL: stdout goes to `out` */
    void *ctx;
    char *out; /* free() it; terminated; NULL where the run failed */
    size_t len;
};

/* 0 where the program ended with 0; else -1 with a sentence. */
int clips_program(struct clips_args *args, struct clips_run *run, char why[CLIPS_WHY_SIZE]);

#endif
