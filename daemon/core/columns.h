/*
 * columns: lines of numbers, as CTDs, gyros and many sensors send them, read by a layout the user gives.
 *
 * Two layouts. Separated: fields between commas, semicolons, tabs, any one character, or runs of blanks;
 * columns are counted from 1. Fixed: characters from-to of the line, counted from 1. Each wanted column names
 * a channel and, where it differs from the channel's own, the unit that the instrument sends; values are
 * converted. A prefix may pick lines: others are passed over.
 *
 * A line that is too short, or has something that is no number where one was promised, is bad as a whole and
 * gives nothing: these lines carry no checksum. Where one does, in the form $...*hh, it is checked and taken off.
 * An empty field, "nan", and runs of '*' or '-' are an instrument's way to say that it has no value: that channel
 * is left out and the others hold. '.' is the decimal sign; blanks around a number and a '+' are allowed. Converted
 * values are rounded to 1e-9 of the channel's unit.
 *
 * Conversion factors are exact definitions (international foot, fathom, nautical mile; pound-force per square inch
 * as in NIST SP 811), but for oxygen: 1 mL/L = 44.6596 umol/L and 1 mg/L = 31.2512 umol/L (SCOR Working Group 142,
 * from memory), and per litre to per kilogram with 1.025 kg/L. Pressure is sea pressure: instruments that send absolute
 * pressure are given "dbar_abs", "bar_abs" or "psi_abs", from which one standard atmosphere (10.1325 dbar) is taken.
 * Temperature is ITS-90; "C68" converts from IPTS-68.
 *
 * Pure; no allocation; any bytes may be given to columns_decode.
 */
#ifndef BELLROPE_CORE_COLUMNS_H
#define BELLROPE_CORE_COLUMNS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/channel.h"

enum { COLUMNS_MAX = 32, COLUMNS_NUMBER_MAX = 256, COLUMNS_PREFIX_MAX = 32, COLUMNS_ERROR_MAX = 256 };

struct columns_field {
    int16_t channel;
    uint16_t first, last; /* separated: the column, twice; fixed: first and last character */
    double scale, offset; /* channel value = scale * number + offset */
};

/* Zeroed memory is a comma-separated layout without columns. */
struct columns {
    bool fixed;
    char separator; /* 0 stands for ',', ' ' for runs of blanks and tabs */
    uint8_t prefix_len;
    char prefix[COLUMNS_PREFIX_MAX];
    int count;
    struct columns_field field[COLUMNS_MAX]; /* in order of `first` */
};

enum columns_verdict {
    COLUMNS_OK,
    COLUMNS_NO_DATA,     /* well formed, but no wanted column had a value */
    COLUMNS_PASSED_OVER, /* does not start with the prefix, or is a comment ('#', '%') */
    COLUMNS_TOO_SHORT,   /* fewer columns or characters than the layout names */
    COLUMNS_NOT_NUMBER,
    COLUMNS_BAD_CHECKSUM, /* a line of the form $...*hh whose sum does not match */
    COLUMNS_VERDICTS
};

/*
 * The setters take strings as the configuration has them and return true, or false with a sentence in `error`
 * (of COLUMNS_ERROR_MAX bytes) that says what was found and what is accepted. separator: "comma",
 * "semicolon", "tab", "space", "fixed", or one printable character prefix:    up to 31 bytes column: `which`
 * is what follows "column." in the key: "3", or "10-17" in a fixed layout; `what` is "CHANNEL [unit]"; an
 * x.NAME is registered in `names`, with the unit given Set the separator first. columns_check: false if there
 * are no columns, or they do not fit the layout.
 */
bool columns_set_separator(struct columns *columns, const char *text, char *error);
bool columns_set_prefix(struct columns *columns, const char *text, char *error);
bool columns_set_column(struct columns *columns, struct channel_names *names, const char *which,
                        const char *what, char *error);
bool columns_check(const struct columns *columns, char *error);

typedef void columns_fn(void *ctx, int channel, double value);

/* Reads one line (without its terminator); the sink is called only for lines that are good as a whole. */
enum columns_verdict columns_decode(const struct columns *columns, const char *line, size_t len,
                                    columns_fn *sink, void *ctx);

const char *columns_verdict_name(enum columns_verdict verdict);

#endif
