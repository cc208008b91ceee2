#include "io/ini_text.h"

#include <errno.h>
#include <fcntl.h>
#include <ini.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* inih keeps section names in 50 bytes and cuts longer ones without a word. */
enum { SECTION_SIZE = 50 };

struct source {
    const char *file;
    const char *at, *end;
    int line;
    bool pending; /* the line in hand has not been understood yet */
    char section[SECTION_SIZE];
    ini_text_fn *handler;
    void *ctx;
    const struct ini_text_report *report;
    int problems;
};

static void complain(struct source *source, const char *text)
{
    source->problems++;
    struct ini_problem problem = {source->file, source->line, source->section, "", text};
    source->report->fn(source->report->ctx, &problem);
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r' || c == '\n' || c == '\v' || c == '\f';
}

static const char *skip_blanks(const char *at, const char *end)
{
    while (at < end && is_blank(*at))
        at++;
    return at;
}

/* [NAME], with nothing but a comment behind it. */
static void read_section(struct source *source, const char *at, const char *end)
{
    const char *close = memchr(at, ']', (size_t)(end - at));
    if (close == NULL) {
        complain(source, "a section name is not closed with ']'");
        return;
    }
    size_t len = (size_t)(close - at - 1);
    source->section[0] = '\0';
    if (len == 0 || len >= SECTION_SIZE) {
        complain(source, "a section name has 1 to 49 characters");
        return;
    }
    memcpy(source->section, at + 1, len);
    source->section[len] = '\0';
    const char *rest = skip_blanks(close + 1, end);
    if (rest < end && *rest != ';' && *rest != '#')
        complain(source, "there is something behind the section's ']'; keys begin on a line of their own");
    source->handler(source->ctx, source->line, source->section, NULL, NULL);
}

/* Looks at a line before inih does. True: inih shall have it. */
static bool look_at(struct source *source, const char *at, const char *end, size_t room)
{
    source->pending = false;
    if (memchr(at, '\0', (size_t)(end - at)) != NULL) {
        complain(source, "a NUL byte: this is no text file");
        return false;
    }
    if (at == end || *at == ';' || *at == '#')
        return false;
    if ((size_t)(end - at) > room) {
        char text[80];
        snprintf(text, sizeof text, "the line is longer than %zu bytes; accepted: shorter lines", room);
        complain(source, text);
        return false;
    }
    if (*at == '[')
        read_section(source, at, end);
    else
        source->pending = true;
    return true;
}

static void close_line(struct source *source)
{
    if (source->pending)
        complain(source, "neither [SECTION] nor KEY = VALUE");
    source->pending = false;
}

/* What inih calls in place of fgets: one line, its leading blanks taken off so that it continues no other. */
static char *next_line(char *out, int size, void *stream)
{
    struct source *source = stream;
    close_line(source);
    if (source->at == source->end)
        return NULL;
    const char *newline = memchr(source->at, '\n', (size_t)(source->end - source->at));
    const char *stop = newline == NULL ? source->end : newline;
    const char *start = skip_blanks(source->at, stop);
    source->line++;
    source->at = newline == NULL ? source->end : newline + 1;
    size_t len = 0;
    if (look_at(source, start, stop, (size_t)size - 3)) {
        len = (size_t)(stop - start);
        memcpy(out, start, len);
    }
    out[len] = '\n';
    out[len + 1] = '\0';
    return out;
}

static int on_key(void *user, const char *section, const char *key, const char *value)
{
    struct source *source = user;
    (void)section; /* the reader's own copy is not cut short */
    source->pending = false;
    if (key == NULL)
        return 1;
    if (key[0] == '\0')
        complain(source, "a value without a key; accepted: KEY = VALUE");
    else
        source->handler(source->ctx, source->line, source->section, key, value == NULL ? "" : value);
    return 1;
}

int ini_text_parse(const char *file, const char *text, size_t len, ini_text_fn *handler, void *ctx,
                   const struct ini_text_report *report)
{
    static const char byte_order_mark[] = "\xef\xbb\xbf";
    struct source source = {.file = file, .at = text, .end = text + len};
    source.handler = handler;
    source.ctx = ctx;
    source.report = report;
    if (len >= 3 && memcmp(text, byte_order_mark, 3) == 0)
        source.at += 3;
    (void)ini_parse_stream(next_line, &source, on_key, &source);
    close_line(&source);
    return source.problems;
}

void ini_problem_text(const struct ini_problem *problem, char *out, size_t size)
{
    int used = problem->line > 0 ? snprintf(out, size, "%s:%d: ", problem->file, problem->line)
                                 : snprintf(out, size, "%s: ", problem->file);
    size_t at = used < 0 ? 0 : (size_t)used;
    if (problem->section[0] != '\0' && at < size)
        at += (size_t)snprintf(out + at, size - at, "[%s] ", problem->section);
    if (problem->key[0] != '\0' && at < size)
        at += (size_t)snprintf(out + at, size - at, "%s: ", problem->key);
    if (at < size)
        snprintf(out + at, size - at, "%s", problem->text);
}

static int read_all(int fd, char *bytes, size_t size, size_t *len)
{
    *len = 0;
    while (*len < size) {
        ssize_t got = read(fd, bytes + *len, size - *len);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return -errno;
        if (got == 0)
            return 0;
        *len += (size_t)got;
    }
    return -EFBIG;
}

int ini_text_load(const char *path, char **text, size_t *len)
{
    *text = NULL;
    *len = 0;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (fd < 0)
        return -errno;
    struct stat info;
    int result = fstat(fd, &info) != 0 ? -errno : S_ISREG(info.st_mode) ? 0 : -EINVAL;
    char *bytes = result == 0 ? malloc(INI_TEXT_BYTES_MAX + 1) : NULL;
    if (result == 0)
        result = bytes == NULL ? -ENOMEM : read_all(fd, bytes, INI_TEXT_BYTES_MAX + 1, len);
    close(fd);
    if (result != 0) {
        free(bytes);
        return result;
    }
    *text = bytes;
    return 0;
}
