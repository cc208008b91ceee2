/*
 * tcmap: host monotonic time to the recorder's timecode, with a bound in frames and a state.
 *
 * Two sources. Time of day: the label is derived from a utcmap's answer (tcmap_time_of_day; no state of its own). LTC: the map is fed with the
 * arrival of audio chunks (sample index against monotonic time) and with decoded 80-bit words (label against sample index).
 *
 * LTC holds two kinds of clock map: sample index -> mono, one for the stream, and mono -> timecode, one for each *segment* of continuous
 * timecode. A jump, a restart of the recorder elsewhere or a change of rate begins a segment; the last TCMAP_SEGMENTS are kept, so that
 * instants shortly past are answered from the segment in force then. Midnight is no event.
 *
 * Assumed of the capture path (sound card, pipe): a sample is never read before latency_min after it was heard, always; and of the
 * chunks read within any group_ns at least one is read within latency_max. Late reads are therefore harmless as long as some are
 * not: they only widen. A whole group later than possible is left out once, unless timecode jumped in it or in the one before: then samples were
 * lost, the audio clock is started again, and the line that seemed to have jumped is taken back. Until then, up to twice group_ns and a little, instants after the
 * loss are wrong by its duration and not yet bracketed (a loss that is less than the bound never shows): let the shell call
 * tcmap_audio_restart where it knows of a loss.
 * Assumed of the recorder in holdover: that it runs on without a jump. A jump is known once TCMAP_CONFIRM words agree on it; until then
 * instants after it are answered as holdover.
 *
 * At 50, 59.94 and 60 frames a second a word names a pair of frames and begins with the even one.
 *
 * The struct is the caller's (about 40 kB); nothing allocates; not for use from two threads at once.
 */
#ifndef BELLROPE_CORE_TCMAP_H
#define BELLROPE_CORE_TCMAP_H

#include "core/clockmap.h"
#include "core/instant.h"
#include "core/presence.h"
#include "core/timecode.h"
#include "core/utcmap.h"

enum tc_state {
    TC_NONE, /* no timecode at that instant: nothing heard, being wound, played in reverse */
    TC_HOLDOVER, /* carried over from words before or after on the assumption that the recorder ran on; the bound grows */
    TC_LOCKED /* words were being heard at that instant, in order and at play speed */
};

/* "none" "holdover" "locked" */
const char *tc_state_name(enum tc_state state);

struct tc_answer {
    bool known;       /* frame, label and fraction hold */
    bool bound_known; /* bound_uf holds */
    enum tc_state state;
    enum timecode_rate rate; /* of the label: the rate heard, where it is not the one configured */
    int64_t frame;           /* in the day, 0 .. frames per day - 1 */
    struct timecode label;
    int32_t fraction_uf; /* micro-frames into that frame, 0 .. 999,999 */
    int64_t bound_uf;    /* micro-frames; the true position is within it */
};

/*
 * Time of day at `rate`: frames since UTC midnight at the real rate, floor. At 29.97 and 59.94 DF the last 2.6 (5.2) frames of a day have
 * no label of their own and show the last one. At 23.976, 29.97 and 59.94 NDF labels run slower than the clock by nature, 86 s by the end of
 * a day. State: locked, holdover, none for a clock that is synced, in holdover, unsynced (then a label with unknown bound).
 */
struct tc_answer tcmap_time_of_day(const struct utc_answer *utc, enum timecode_rate rate);

/* What an input brought about; several at once. */
enum tcmap_event {
    TCMAP_EVENT_LOCKED = 1 << 0,     /* words in order at play speed */
    TCMAP_EVENT_LOST = 1 << 1,       /* no words any more: holdover */
    TCMAP_EVENT_JUMP = 1 << 2,       /* timecode went on elsewhere: jump_frames more than expected */
    TCMAP_EVENT_REVERSE = 1 << 3,    /* words come in reverse */
    TCMAP_EVENT_SHUTTLE = 1 << 4,    /* words come forward at another speed: speed_permille */
    TCMAP_EVENT_RATE = 1 << 5,       /* the rate heard is not the one in force: `heard` is followed */
    TCMAP_EVENT_DROP_FLAG = 1 << 6,  /* so is the drop-frame flag; followed where it makes sense */
    TCMAP_EVENT_BAD_WORD = 1 << 7,   /* the first of words without sense or neighbours; all are counted */
    TCMAP_EVENT_AUDIO_STEP = 1 << 8, /* chunks contradict their past: the audio clock was started again */
    TCMAP_EVENT_USER_BITS = 1 << 9,  /* user bits have changed and stay (twice the same) */
    TCMAP_EVENT_REJECTED = 1 << 10   /* impossible: an index that goes back without a restart; counted */
};

struct tcmap_events {
    unsigned flags;
    int64_t jump_frames;
    int32_t speed_permille; /* of play speed; negative in reverse */
    enum timecode_rate heard;
};

struct tcmap_params {
    enum timecode_rate rate; /* as configured */
    int32_t sample_rate;     /* of the capture, 8,000 .. 384,000 */
    int64_t latency_min_ns, latency_max_ns;
    int64_t group_ns;                /* chunks are judged in groups of this length: 1 s */
    int64_t dropout_ns;              /* silence of words that ends a lock: 250 ms */
    int32_t edge_samples;            /* error of a word's edge as decoded: 3 */
    struct clockmap_params audio;    /* sample index against mono */
    struct clockmap_params recorder; /* mono against timecode */
};
struct tcmap_params tcmap_params_default(enum timecode_rate rate, int32_t sample_rate, int64_t latency_min_ns,
                                         int64_t latency_max_ns);

/* A decoded word as libltc reports it. off_start and off_end are sample indices of its first and last sample in stream order. */
struct tcmap_word {
    uint8_t packed[TIMECODE_WORD_BYTES];
    int64_t off_start, off_end;
    bool reverse;
};

#define TCMAP_SEGMENTS 8
#define TCMAP_CONFIRM 3
#define TCMAP_JUDGED_AFTER                                                                                   \
    2 /* groups: the one with the jump began before it, the next lies behind it as a whole */

/* Words that follow each other in label and in time. Frames are at the full rate and run on over midnight. */
struct tcmap_run {
    int32_t length;
    int64_t first_frame, first_start; /* of the first word: frame, sample index */
    int64_t frame, start, end;        /* of the last */
};

struct tcmap_segment {
    enum timecode_rate rate;
    struct clockmap map;   /* mono ns -> timecode ns, days counted on */
    struct presence heard; /* mono ns in which words came */
    int64_t from;          /* mono ns of the first word's start */
    int64_t edge_ns;       /* how well `from` and the end are known */
    bool follows;          /* there was another segment before: no holdover back past `from` */
    bool broken;           /* ended by a jump or by winding: no holdover past its end */
};

/* What the decoded labels say about the rate: words that touch each other, whatever their speed. */
struct tcmap_rate_watch {
    bool has_last;
    struct timecode last;
    int64_t first_start, first_length, last_end;
    int32_t words;
    int32_t verdict, verdict_rate, repeats; /* the last verdict, and how often in a row */
    int32_t wrong_flags;                    /* words in a row whose drop-frame flag is not that of the rate */
    bool told_flag;
};

struct tcmap {
    struct tcmap_params params;
    enum timecode_rate rate;                      /* in force */
    struct clockmap audio;                        /* sample index -> mono ns */
    struct tcmap_segment segment[TCMAP_SEGMENTS]; /* oldest first */
    size_t segments;
    bool open;   /* the run adds to the newest segment */
    bool locked; /* as last told to the caller */
    bool doubt;  /* the newest words do not fit the run */

    int32_t group_chunks; /* chunks since the last constraint; group_lo, group_hi: mono at sample group_at */
    int64_t group_from, group_at, group_lo, group_hi;
    int32_t jumped; /* timecode has jumped: groups until the audio clock has had its say on that */
    bool was_late;  /* the group before was left out as late */
    bool resumes;   /* the next segment begins at resume_from: the one from there on was wrong */
    int64_t resume_from;
    bool has_chunk;
    int64_t last_end, last_read; /* of the newest chunk: sample index, mono ns */

    struct tcmap_run run, other; /* the line followed; one that may turn out to replace it */
    struct tcmap_rate_watch watch;
    int32_t odd_words; /* words in a row that were wound, negative in reverse */
    bool winding, bad; /* as last told to the caller */
    bool off_speed;    /* labels of a rate at a speed of none: nothing is placed until that ends */
    bool has_word, has_user_bits;
    int64_t newest_end; /* of any word */
    uint32_t user_bits, user_bits_told;

    int64_t offset_uf, offset_error_uf; /* recorded minus heard */
    bool clapped;
    struct clockmap_interval clap_uf;

    uint64_t words, bad_words, late_groups, rejected;
};

/* 0, or -1 where a parameter is out of range. */
int tcmap_init(struct tcmap *tc, const struct tcmap_params *params);

/* A chunk whose last sample has index sample_end - 1 was read at `read`. Give it before the words found in it. */
struct tcmap_events tcmap_chunk(struct tcmap *tc, int64_t sample_end, mono_ns read);

struct tcmap_events tcmap_word(struct tcmap *tc, const struct tcmap_word *word);

/* The capture was started again, or is known to have lost samples: indices begin anew, at any value. What was heard before stays; the
 * next words join it again if they fit. */
struct tcmap_events tcmap_audio_restart(struct tcmap *tc);

/* Call now and then: LOST when audio itself has stopped. */
struct tcmap_events tcmap_poll(struct tcmap *tc, mono_ns now);

struct tc_answer tcmap_at(const struct tcmap *tc, mono_ns at);

/* Whether words that came after `at` have shown what was recorded then, and the audio clock that a jump before it was one: the answer can get
 * narrower and no longer another. */
bool tcmap_bracketed(const struct tcmap *tc, mono_ns at);

/* The monotonic instants at which `frame` of the day began, in the newest segment that has it. False where none does. */
bool tcmap_inverse(const struct tcmap *tc, int64_t frame, struct clockmap_interval *mono);

/* The newest word's constraint, for keeping: at host instant `a` the timecode heard was lo .. hi ns of `rate`, days counted on, without the
 * clapper's offset. False where no line is being followed. */
bool tcmap_newest(const struct tcmap *tc, enum timecode_rate *rate, struct clockmap_constraint *out);

/* User bits of the last good word; false while there is none. */
bool tcmap_user_bits(const struct tcmap *tc, uint32_t *user_bits);

/*
 * The clapper. The lamp was lit at `lit` (within lit_bound_ns), and `frame` is the first recorded frame that shows it. Where in a frame the
 * camera exposes is not known, so that the recorded position then was within frame - 1 .. frame + 1. Several claps are intersected.
 * On success the offset (recorded minus heard) and its error are in offset_uf and offset_error_uf and apply from here on.
 * Returns 0; -1 where no timecode is known at `lit`; 1 where this clap contradicts the earlier ones, which it then replaces.
 */
int tcmap_clap(struct tcmap *tc, mono_ns lit, int64_t lit_bound_ns, int64_t frame);

/* The same offset given outright, in micro-frames (0, 0 removes it). The error is added to every bound; later claps narrow it. */
void tcmap_set_offset(struct tcmap *tc, int64_t offset_uf, int64_t error_uf);

#endif
