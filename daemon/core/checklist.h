/*
 * checklist: the names that the user's checklist holds, for canonical spelling, rank, identifier, and suggestions.
 *
 * The text is a Darwin Core Taxon table: tab-separated values (RFC 4180 quoting is not used: a quote is an ordinary character), first line the
 * column names, UTF-8, lines ended by LF or CRLF. Columns are found by name, in any order, with or without a "dwc:" in front:
 *
 *   scientificName (needed), scientificNameID or taxonID, taxonRank, taxonomicStatus, acceptedNameUsage, acceptedNameUsageID,
 *   scientificNameAuthorship
 *
 * Others are ignored. A line with another number of fields, without a name, or with a name over CHECKLIST_NAME_MAX bytes is counted and
 * skipped. The text stays the caller's and must outlive the list; the index is built in memory that the caller gives.
 */
#ifndef BELLROPE_CORE_CHECKLIST_H
#define BELLROPE_CORE_CHECKLIST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CHECKLIST_NAME_MAX 95
#define CHECKLIST_DISTANCE_MAX 3
#define CHECKLIST_SUGGEST_MAX 16

struct checklist {
    const char *text;
    size_t length;
    uint32_t *row; /* offsets of rows in the text, by folded name */
    uint32_t count, skipped;
    int8_t column[8]; /* where each known column is; -1: not there */
    uint8_t columns;
};

/* A piece of the caller's text; not terminated. Empty where the table has no such value. */
struct checklist_text {
    const char *at;
    size_t length;
};

struct checklist_row {
    struct checklist_text name, id, rank, status, accepted_name, accepted_id, author;
};

enum checklist_result {
    CHECKLIST_OK,
    CHECKLIST_EMPTY,    /* no line at all */
    CHECKLIST_NO_NAME,  /* the first line has no scientificName */
    CHECKLIST_TOO_WIDE, /* more than 127 columns */
    CHECKLIST_NO_ROOM   /* more rows than the memory holds: see checklist_rows() */
};
/* What is wrong and what to do, in plain words. */
const char *checklist_result_text(enum checklist_result result);

/* How many rows the text can have at most: the lines in it. The index needs as many uint32_t. Texts are below 4 GiB. */
uint32_t checklist_rows(const char *text, size_t length);

/* Builds the list. `index` holds `room` numbers and must outlive the list. Where a name stands twice, an accepted row comes first. */
enum checklist_result checklist_load(struct checklist *list, const char *text, size_t length, uint32_t *index,
                                     uint32_t room);

/* Finds a name exactly, letter case and runs of spaces aside. False: not on the list. */
bool checklist_find(const struct checklist *list, const char *name, struct checklist_row *row);

/*
 * Names like `name`: at most `max` of them and never more than CHECKLIST_SUGGEST_MAX, nearest first, then in alphabetical order. Nearness is edit distance with neighbouring letters
 * exchanged counted as one (optimal string alignment) up to 1 for names below 5 bytes, 2 below 12, else CHECKLIST_DISTANCE_MAX. Returns how many.
 */
size_t checklist_suggest(const struct checklist *list, const char *name, struct checklist_row *rows,
                         size_t max);

/* The distance itself, over bytes, as far as `limit`; limit + 1 where it is more. Texts over CHECKLIST_NAME_MAX count as too far. */
unsigned checklist_distance(const char *a, size_t a_length, const char *b, size_t b_length, unsigned limit);

#endif
