/*
 * timecode: SMPTE ST 12-1 labels, frame counts and LTC words, in integers alone.
 *
 * A *frame* is the count of frames since label 00:00:00:00; a *label* is hh:mm:ss:ff. Drop-frame skips labels, never pictures:
 * 29.97 DF leaves out ;00 and ;01 at the start of every minute but minutes 00, 10, 20, 30, 40 and 50; 59.94 DF leaves out ;00 to ;03.
 * Real rates: 24000/1001, 24, 25, 30000/1001, 30, 50, 60000/1001, 60 frames a second. Above 30 a second the numbering is that of
 * ST 12-3, from memory; an LTC word there counts pairs of frames (see timecode_word_rate).
 *
 * All functions are pure, do not allocate and may be called from any thread. Those that can fail return 0 or a negative
 * enum timecode_error and then leave their output untouched.
 */
#ifndef BELLROPE_CORE_TIMECODE_H
#define BELLROPE_CORE_TIMECODE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum timecode_rate {
    TC_RATE_23_976,
    TC_RATE_24,
    TC_RATE_25,
    TC_RATE_29_97_DF,
    TC_RATE_29_97_NDF,
    TC_RATE_30,
    TC_RATE_50,
    TC_RATE_59_94_DF,
    TC_RATE_59_94_NDF,
    TC_RATE_60
};
#define TIMECODE_RATES 10

enum timecode_error {
    TIMECODE_ESYNTAX = -1,   /* not a label, a word or a rate at all */
    TIMECODE_ERANGE = -2,    /* a field is too large for the rate, or a frame count is outside a day */
    TIMECODE_EDROPPED = -3,  /* the label is one that drop-frame leaves out, such as 00:01:00;00 */
    TIMECODE_EAMBIGUOUS = -4 /* "29.97" and "59.94": say whether df or ndf */
};

struct timecode {
    uint8_t hh; /* 0..23 */
    uint8_t mm; /* 0..59 */
    uint8_t ss; /* 0..59 */
    uint8_t ff; /* 0..nominal - 1 */
};

/* Accepts the names that timecode_rate_name gives, 23.98, 24000/1001 and the like, a trailing "fps", any case, and blanks, '-' or '_'
 * anywhere. Errors: ESYNTAX, EAMBIGUOUS. */
int timecode_rate_parse(const char *text, enum timecode_rate *rate);

/* "23.976" "24" "25" "29.97df" "29.97ndf" "30" "50" "59.94df" "59.94ndf" "60" */
const char *timecode_rate_name(enum timecode_rate rate);

/* Real frames a second = num / den. */
void timecode_rate_fraction(enum timecode_rate rate, int32_t *num, int32_t *den);

int32_t timecode_nominal_fps(enum timecode_rate rate);    /* labels a second: 24, 25, 30, 50, 60 */
int64_t timecode_frames_per_day(enum timecode_rate rate); /* frames in 24 h of labels */
bool timecode_is_drop(enum timecode_rate rate);

/* 0, ERANGE or EDROPPED. */
int timecode_check(struct timecode tc, enum timecode_rate rate);

/* Label to frame count, 0 .. frames per day - 1. Errors: as timecode_check. */
int timecode_to_frame(struct timecode tc, enum timecode_rate rate, int64_t *frame);

/* Frame count to label; any count is taken modulo a day (negative ones too), so this cannot fail. */
struct timecode timecode_from_frame(int64_t frame, enum timecode_rate rate);

/* frame modulo a day, 0 .. frames per day - 1 */
int64_t timecode_wrap(int64_t frame, enum timecode_rate rate);

/* A difference of frames modulo a day as the value nearest to 0. */
int64_t timecode_wrap_near(int64_t frames, enum timecode_rate rate);

/* tc + frames, over midnight either way. Errors: as timecode_check. */
int timecode_add(struct timecode tc, int64_t frames, enum timecode_rate rate, struct timecode *sum);

/* "hh:mm:ss:ff", or ';' (also ',' or '.') before the frames for drop-frame. One or two digits a field. A drop-frame rate takes either
 * separator; a non-drop rate refuses ';' as ESYNTAX, because the writer meant another rate. */
int timecode_parse(const char *text, enum timecode_rate rate, struct timecode *tc);

/* Always 11 characters and a NUL: "hh:mm:ss:ff", with ';' before the frames in drop-frame. */
#define TIMECODE_TEXT 12
void timecode_format(struct timecode tc, enum timecode_rate rate, char text[TIMECODE_TEXT]);

/* The frame in force at ns since the start of frame 0 (floor, exact), and the first whole nanosecond of a frame (ceiling, exact), so that
 * timecode_frame_at_ns(timecode_frame_start_ns(n)) = n and one nanosecond less gives n - 1. Range: |ns| < 2^62, |frame| < 2^36 (ninety years). */
int64_t timecode_frame_at_ns(int64_t ns, enum timecode_rate rate);
int64_t timecode_frame_start_ns(int64_t frame, enum timecode_rate rate);

/* The same as a position in micro-frames (1e-6 frame), rounded down. Range: |ns| < 2^62, |uf| < 2^62. */
int64_t timecode_uf_at_ns(int64_t ns, enum timecode_rate rate);

/*
 * The LTC word: 80 bits, sent least significant first, packed here into ten bytes likewise (ltc.h of libltc has the same layout).
 * Bits 27, 43, 58 and 59 carry the binary group flags and the polarity correction, and their places depend on the rate:
 *             24, 30 fps   25 fps
 *   polarity      27          59
 *   BGF0          43          27
 *   BGF1          58          58
 *   BGF2          59          43
 */
#define TIMECODE_WORD_BYTES 10
struct timecode_word {
    struct timecode tc;
    uint32_t user_bits; /* eight groups of four bits; user group 1 is the lowest */
    bool drop;          /* bit 10 */
    bool colour;        /* bit 11 */
    uint8_t bgf;        /* BGF0 = 1, BGF1 = 2, BGF2 = 4 */
    bool polarity;      /* as received; encode computes it so that the word has an even number of zeros */
};

/* The rate at which words count: 25 for 50, 29.97 for 59.94, 30 for 60, else the rate itself. A word at 50 or 60 frames a second names
 * a pair: label ff there stands for frames 2 ff and 2 ff + 1. */
enum timecode_rate timecode_word_rate(enum timecode_rate rate);

/* Takes any word with the sync pattern and decimal digits that make a time of day with ff < 30 (ESYNTAX otherwise). Whether the label
 * exists at `rate` is for timecode_check: a word of another rate must be readable to be recognised. `rate` places the flags. */
int timecode_word_decode(const uint8_t packed[TIMECODE_WORD_BYTES], enum timecode_rate rate,
                         struct timecode_word *word);
void timecode_word_encode(const struct timecode_word *word, enum timecode_rate rate,
                          uint8_t packed[TIMECODE_WORD_BYTES]);

#endif
