/*
 * config_parse: what the parts of the configuration's reader share; for config*.c alone.
 *
 *   config.c        sections, keys to their rules, files
 *   config_rules.c  one table: what each section may hold, what each key accepts and how it is read
 *   config_judge.c  what can only be judged when all has been read
 */
#ifndef BELLROPE_IO_CONFIG_PARSE_H
#define BELLROPE_IO_CONFIG_PARSE_H

#include "io/config.h"

enum config_place {
    CONFIG_DIVE,
    CONFIG_STORE,
    CONFIG_UTC,
    CONFIG_TIMECODE,
    CONFIG_SOCKET,
    CONFIG_PAD,
    CONFIG_FEED,
    CONFIG_PLACES
};

/* "dive" ... "feed" */
extern const char *const config_place_names[CONFIG_PLACES];

enum {
    CONFIG_RULES_MAX = 48,
    CONFIG_ITEMS_MAX = ENGINE_FEEDS_MAX > ENGINE_PADS_MAX ? ENGINE_FEEDS_MAX : ENGINE_PADS_MAX
};

enum { CONFIG_COLUMNS_MAX = ENGINE_FEEDS_MAX * COLUMNS_MAX };

struct config_column {
    int line;
    size_t feed;
    char section[64];
    char key[50];
    char value[112];
};

struct config_parse {
    struct config *out;
    const struct ini_text_report *report;
    int problems;
    /* where the reader is */
    int line;
    char section[64];
    enum config_place place; /* CONFIG_PLACES: in a section that was refused */
    size_t item;             /* which pad or feed; 0 elsewhere */
    /* columns wait until their layout's separator is known, wherever in the section it stands */
    struct config_column column[CONFIG_COLUMNS_MAX];
    size_t column_count;
    /* where things stood: the line of each key of each section, and of each section */
    int seen[CONFIG_RULES_MAX][CONFIG_ITEMS_MAX];
    int section_line[CONFIG_PLACES][CONFIG_ITEMS_MAX];
    char utc_feed[SOURCE_SIZE];
};

/* `set` returns NULL, or what is wrong with the value: "'VALUE' WRONG; accepted: ACCEPTED" is the message. */
struct config_rule {
    const char *key;
    const char *(*set)(struct config_parse *p, const char *value);
    const char *accepted;
    enum config_place place;
    bool needed;
};

/* The i-th rule; NULL beyond the last. */
const struct config_rule *config_rule(size_t i);
/* NULL: the section has no such key. */
const struct config_rule *config_rule_find(enum config_place place, const char *key);

/* Where a key was given: its line, 0 for not at all. */
int *config_seen(struct config_parse *p, enum config_place place, const char *key, size_t item);

/* Copies text that must not be empty; NULL, or what is wrong with it. */
const char *config_text(const char *value, char *out, size_t size);

/* Counts and reports a problem. */
void config_tell(struct config_parse *p, int line, const char *section, const char *key, const char *format,
                 ...) __attribute__((format(printf, 5, 6)));

/* Judges the whole, and finishes what depends on several keys (the UTC feed's number, a pad's seat). */
void config_judge(struct config_parse *p);

#endif
