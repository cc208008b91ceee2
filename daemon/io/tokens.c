#include "io/tokens.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define TOKEN_SIZE 128
#define TOKEN_LEAST 16
#define FILE_MOST 16384

struct token {
    enum token_role role;
    char text[TOKEN_SIZE]; /* the rest is zeros: all of it is compared */
};

struct tokens {
    size_t count;
    struct token token[TOKENS_MAX];
};

static bool is_token(const char *text, size_t len)
{
    if (len < TOKEN_LEAST || len >= TOKEN_SIZE)
        return false;
    for (size_t i = 0; i < len; i++)
        if (text[i] <= 0x20 || text[i] >= 0x7f)
            return false;
    return true;
}

/* One line, without its newline; a sentence (never with the token in it) or NULL. */
static const char *take_line(struct tokens *tokens, const char *line, size_t len)
{
    static const char BLANKS[] = " \t\r";
    while (len > 0 && strchr(BLANKS, line[len - 1]) != NULL)
        len--;
    while (len > 0 && strchr(BLANKS, line[0]) != NULL)
        line++, len--;
    if (len == 0 || line[0] == '#')
        return NULL;
    size_t word = 0;
    while (word < len && strchr(BLANKS, line[word]) == NULL)
        word++;
    enum token_role role = TOKEN_NONE;
    if (word == 4 && memcmp(line, "read", 4) == 0)
        role = TOKEN_READS;
    else if (word == 5 && memcmp(line, "write", 5) == 0)
        role = TOKEN_WRITES;
    if (role == TOKEN_NONE)
        return "a line is `read TOKEN` or `write TOKEN`";
    size_t start = word;
    while (start < len && strchr(BLANKS, line[start]) != NULL)
        start++;
    if (!is_token(line + start, len - start))
        return "a token is 16 to 127 visible characters without blanks";
    if (tokens->count == TOKENS_MAX)
        return "more than 64 tokens";
    struct token *token = &tokens->token[tokens->count++];
    token->role = role;
    memcpy(token->text, line + start, len - start);
    return NULL;
}

struct tokens *tokens_parse(const char *name, const char *text, char *why, size_t why_size)
{
    struct tokens *tokens = calloc(1, sizeof *tokens);
    if (tokens == NULL) {
        snprintf(why, why_size, "%s: out of memory", name);
        return NULL;
    }
    int number = 1;
    for (const char *at = text; *at != '\0'; number++) {
        size_t len = strcspn(at, "\n");
        const char *wrong = take_line(tokens, at, len);
        if (wrong != NULL) {
            snprintf(why, why_size, "%s:%d: %s", name, number, wrong);
            tokens_free(tokens);
            return NULL;
        }
        at += len + (at[len] == '\n' ? 1 : 0);
    }
    if (tokens->count == 0) {
        snprintf(why, why_size, "%s: no token in it; a line is `read TOKEN` or `write TOKEN`", name);
        tokens_free(tokens);
        return NULL;
    }
    return tokens;
}

/* The text of an open file that only its owner can change and others cannot read. */
static char *read_private(int fd, const char *path, char *why, size_t why_size)
{
    struct stat st;
    if (fstat(fd, &st) != 0 || !S_ISREG(st.st_mode) || st.st_size > FILE_MOST) {
        snprintf(why, why_size, "%s: not a plain file of at most %d bytes", path, FILE_MOST);
        return NULL;
    }
    if ((st.st_mode & (S_IRWXO | S_IWGRP)) != 0) {
        snprintf(why, why_size, "%s: others may read or change it (mode %04o); use chmod 0640 or 0600", path,
                 (unsigned)st.st_mode & 07777);
        return NULL;
    }
    char *text = calloc(1, FILE_MOST + 1);
    size_t len = 0;
    while (text != NULL && len < FILE_MOST) {
        ssize_t got = read(fd, text + len, FILE_MOST - len);
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            break;
        len += (size_t)got;
    }
    if (text == NULL)
        snprintf(why, why_size, "%s: out of memory", path);
    return text;
}

struct tokens *tokens_load(const char *path, char *why, size_t why_size)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (fd < 0) {
        snprintf(why, why_size, "%s: %s", path, strerror(errno));
        return NULL;
    }
    char *text = read_private(fd, path, why, why_size);
    close(fd);
    if (text == NULL)
        return NULL;
    struct tokens *tokens = tokens_parse(path, text, why, why_size);
    explicit_bzero(text, FILE_MOST);
    free(text);
    return tokens;
}

enum token_role tokens_role(const struct tokens *tokens, const char *token)
{
    char given[TOKEN_SIZE] = {0};
    if (strlen(token) >= TOKEN_SIZE)
        return TOKEN_NONE;
    strncpy(given, token, TOKEN_SIZE - 1);
    unsigned role = TOKEN_NONE;
    for (size_t i = 0; i < tokens->count; i++) {
        unsigned char different = 0;
        for (size_t k = 0; k < TOKEN_SIZE; k++)
            different |= (unsigned char)(given[k] ^ tokens->token[i].text[k]);
        unsigned same = (((unsigned)different - 1U) >> 8) & 1U; /* 1 only where `different` is 0 */
        unsigned mine = (unsigned)tokens->token[i].role * same;
        role = mine > role ? mine : role;
    }
    return (enum token_role)role;
}

void tokens_free(struct tokens *tokens)
{
    if (tokens == NULL)
        return;
    explicit_bzero(tokens, sizeof *tokens);
    free(tokens);
}
