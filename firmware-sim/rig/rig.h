/*
 * rig: ship, vehicle, recorder and pads under one clock, played by a script. Pure: time comes in as an argument, everything
 * that leaves goes to a sink. `live` runs it in real time over pseudo-terminals, UDP and a fifo; `taped` runs it as fast as it
 * goes against a daemon's engine in the same process.
 *
 * The clock is the host's CLOCK_BOOTTIME in ns (or any other that only rises); UTC is that plus an offset that the caller keeps
 * up to date.
 */
#ifndef BELLROPE_RIG_RIG_H
#define BELLROPE_RIG_RIG_H

#include "keypad.h"
#include "recorder.h"
#include "script.h"
#include "world.h"

/* One finger on one key: what really happened, and what became of it. Instants are on the rig's clock; INT64_MIN: not yet. */
struct rig_press {
    int number; /* from 1, in order of time */
    int pad;
    uint8_t key;
    bool touched;        /* its instant has come */
    bool in_vain;        /* the pad had no power then: no press */
    bool plugged;        /* the pad was plugged in then */
    bool timecode_known; /* frame and within hold */
    bool gone;           /* the pad lost its power before it had saved it */
    uint8_t result;      /* enum wire_result, when kept */
    uint32_t boot;
    int64_t at_ns; /* the contact first touched */
    int64_t utc_ns;
    int64_t hold_ns;
    uint64_t tick_us; /* of that instant on the pad's clock */
    int64_t frame;
    double within;
    struct world_state world;

    uint32_t seq;      /* as the firmware numbered it; 0: the firmware has not spoken of it */
    uint32_t hold_seq; /* of the HOLD that followed; 0: none */
    struct wire_press stamp;
    int64_t kept_ns;
    int64_t amber_ns, green_ns;
    int64_t power_age_ns; /* how old it was when power was cut; INT64_MIN: it never was */
};

struct rig_sink {
    void *ctx;
    void (*pad_bytes)(void *ctx, int pad, int64_t now_ns, const uint8_t *bytes, size_t len);
    /* The plug goes in or out. */
    void (*pad_plug)(void *ctx, int pad, int64_t now_ns, bool plugged);
    /* Whole lines, as one datagram. */
    void (*feed)(void *ctx, enum script_feed feed, int64_t now_ns, const char *bytes, size_t len);
    void (*audio)(void *ctx, int64_t now_ns, const int16_t *samples, size_t count);
    void (*recorder)(void *ctx, int64_t now_ns, bool running);
    /* A line for people about what happens. */
    void (*say)(void *ctx, int64_t now_ns, const char *text);
    /* Something about a press has become known: what, as in rig_news. */
    void (*press)(void *ctx, int64_t now_ns, const struct rig_press *press, int news);
    /* "boot", "pull", "plug", "signal", "phantom" ...; pad -1: none; text may be empty. */
    void (*event)(void *ctx, int64_t now_ns, const char *what, int pad, uint32_t boot, const char *text);
};

enum rig_news {
    RIG_TOUCHED, /* the contact touched */
    RIG_SEEN,    /* the firmware sent it for the first time */
    RIG_HELD,    /* the firmware sent its HOLD */
    RIG_KEPT,    /* the host's answer reached the pad */
    RIG_AMBER,
    RIG_GREEN,
    RIG_GONE
};

struct rig;

/* `folder` keeps the EEPROMs, one file a pad; NULL: in memory alone. NULL with errno. Script and sink must outlive it. */
struct rig *rig_new(const struct script *script, const char *folder, int64_t now_ns, int64_t utc_offset_ns,
                    const struct rig_sink *sink);
void rig_free(struct rig *rig);

/* Powers and plugs in the pads; call once, before anything else. */
void rig_begin(struct rig *rig);

/* UTC less the rig's clock, from now on. */
void rig_set_utc(struct rig *rig, int64_t offset_ns);

/* Things of different kinds that happen within one slice may be told out of order; 1 ms unless set. */
void rig_set_slice(struct rig *rig, int64_t slice_ns);

/* Everything up to now_ns. */
void rig_advance(struct rig *rig, int64_t now_ns);

/* The host's bytes for a pad, read at now_ns; advances first. */
void rig_pad_bytes(struct rig *rig, int pad, int64_t now_ns, const uint8_t *bytes, size_t len);

/* A press more, not in the past; false where there is no room or the pad has no power. For tests of speed. */
bool rig_press_now(struct rig *rig, int pad, uint8_t key, int64_t down_ns, int64_t hold_ns);

/* The script has ended and every press is kept, refused, or gone with a pad's power; or the limit has passed. */
bool rig_done(const struct rig *rig);
/* The limit passed with presses unkept. */
bool rig_gave_up(const struct rig *rig);

struct rig_count {
    int made, seen, kept, refused, gone, missed, phantoms;
    int64_t stamp_worst_us; /* the firmware's stamp against the truth of its own clock */
    int64_t green_median_ns,
        green_p99_ns;  /* contact to green, of presses made while the pad was plugged in */
    int stamp_outside; /* stamps whose own interval does not hold the truth */
};
/* Of one pad, or of all (-1). */
void rig_count(const struct rig *rig, int pad, struct rig_count *out);

#endif
