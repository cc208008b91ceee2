/*
 * engine_state: what the engine remembers, shared by the files engine*.c alone. Each of those files owns the members under its name.
 *
 * Everything has a fixed place; the policy where a table is full stands beside it.
 */
#ifndef BELLROPE_CORE_ENGINE_STATE_H
#define BELLROPE_CORE_ENGINE_STATE_H

#include "bellrope/wire.h"
#include "core/clockmap.h"
#include "core/engine.h"
#include "core/fields.h"
#include "core/lines.h"
#include "core/nmea.h"
#include "core/tcmap.h"
#include "core/track.h"
#include "core/utcmap.h"
#include "core/watchlog.h"

enum {
    BOOTS_MAX =
        32, /* full: the boot not heard of for longest is forgotten (the store still refuses doubles) */
    KEPT_WINDOW = 256,   /* press numbers remembered below the highest of a boot */
    PINGS_MAX = 8,       /* on their way; older ones are given up */
    UNTIMED_MAX = 64,    /* presses before a boot's first pong; full: the pad offers them again */
    ANSWERS_MAX = 4096,  /* waiting for a commit; full: presses are left to the pad, commands are refused */
    RECENT_MAX = 64,     /* presses that a hold or chord may refer to */
    UNSETTLED_MAX = 128, /* full: the oldest settles with what is known */
    RETIMED_MAX = 8192,  /* markers stamped without UTC; full: later ones keep their first stamp */
    CHANGES_MAX = 32768, /* of one refold */
    SAMPLE_NOTES_MAX =
        256, /* full: the oldest is no longer told with its sample; the marker has it for ever */
    WATCH_FACTS_MAX = 8192
};

#define NEVER INT64_MAX

/* One power-up of one pad: its clock, and which of its presses have been seen. */
struct boot {
    bool used;
    char serial[PAD_SIZE];
    uint32_t id;
    int64_t heard_ns; /* the one heard least lately makes room for a new one */
    int64_t
        alive_ns; /* the pad ran in this power-up at that instant or later; INT64_MIN: nothing of it is known */
    struct clockmap map;
    uint32_t highest;
    uint8_t press[KEPT_WINDOW]; /* by number modulo the window: enum press_state */
};

enum press_state { PRESS_NEW, PRESS_TAKEN, PRESS_KEPT };

struct ping {
    bool used;
    uint16_t id;
    int64_t sent_ns;
};

struct pad_link {
    bool up;
    bool greeted; /* HELLO received on this link */
    bool silent;  /* told so */
    struct wire_decoder decoder;
    struct wire_hello hello;
    char serial[PAD_SIZE]; /* of the pad, or the configuration's name where the pad has none */
    int boot;              /* index; -1 none */
    uint8_t seat;
    bool has_plan;
    struct keyplan plan;
    struct ping ping[PINGS_MAX];
    uint16_t next_ping;
    uint32_t pings_sent; /* since HELLO */
    int64_t heard_ns;
    uint8_t faults; /* WIRE_FAULT_BIT as last told */
    uint32_t bad_told;
    uint64_t presses;
};

struct untimed {
    int pad;
    struct wire_press press;
};

/* An answer owed when the journal is durable up to `seq`. */
struct answer {
    int64_t seq;
    int pad; /* -1: a command */
    char serial[PAD_SIZE];
    uint32_t boot_id, press_seq;
    uint8_t result;
    struct engine_reply reply;
};

/* Where a pad's press went, for a hold or chord that refers to it. */
struct recent {
    char serial[PAD_SIZE];
    uint32_t boot_id, seq;
    uint8_t key;
    uint32_t marker;
    int64_t lo_ns, hi_ns;
};

struct unsettled {
    char dive[DIVE_ID_SIZE];
    uint32_t number;
    int64_t lo_ns, hi_ns;
    int64_t due_ns;
};

struct retimed {
    char dive[DIVE_ID_SIZE]; /* "": outside any */
    uint32_t number;
    int64_t lo_ns, hi_ns;
};

struct feed_state {
    bool up;
    bool silent;
    int64_t heard_ns;
    int64_t now_ns; /* arrival of the chunk in hand */
    struct lines lines;
    struct nmea_calendar calendar;
    bool has_uncertainty; /* of its fixes, as the feed itself last said (GST, a column) */
    double uncertainty_m;
    int64_t uncertainty_ns;
    uint64_t good, bad, other; /* lines; `other`: sound but nothing of ours */
    enum nmea_verdict last_bad;
    enum columns_verdict last_bad_columns;
    bool bad_told;
};

/* What a line gave that has to be seen together. */
struct feed_context {
    struct engine *engine;
    int feed;
    mono_ns at; /* when the values were true */
    bool has_lat, has_lon, has_sog, has_cog, has_ahead, has_starboard;
    double lat_deg, lon_deg, sog_kn, cog_deg, ahead_kn, starboard_kn;
};

/* What a watch log call changed; the objects are asked for when the entries are written. */
struct change_ref {
    uint8_t type; /* enum watch_change_type */
    bool recomputed;
    bool restored;
    uint32_t number; /* marker or object */
    uint32_t by;
};

/* The note that came with a sample's press. */
struct sample_note {
    uint32_t marker;
    char text[NOTE_SIZE];
};

struct dive_state {
    bool open;
    char id[DIVE_ID_SIZE]; /* of the open dive, or of the last one ended */
    char vehicle[LABEL_SIZE], ship[LABEL_SIZE], site[LABEL_SIZE];
    int64_t planned_bottom_ns;  /* 0: not said */
    int64_t begun_ns, ended_ns; /* UTC */
    uint32_t markers;           /* highest number */
};

enum timer {
    TIMER_SETTLE,
    TIMER_IDLE,
    TIMER_UTC,
    TIMER_TIMECODE,
    TIMER_PAD,
    TIMER_FEED = TIMER_PAD + ENGINE_PADS_MAX,
    TIMERS = TIMER_FEED + ENGINE_FEEDS_MAX
};

struct engine {
    struct engine_config config;
    struct engine_sink sink;
    int64_t now_ns;
    bool started;
    int64_t started_ns; /* first input: telemetry in memory is no older */
    int64_t due_ns[TIMERS];
    int64_t told_wake_ns;
    int64_t seq;           /* of the last entry made */
    int64_t committed_seq; /* durable */
    bool store_failing;
    bool restoring;

    /* pads */
    struct boot boot[BOOTS_MAX];
    struct pad_link pad[ENGINE_PADS_MAX];
    struct untimed untimed[UNTIMED_MAX];
    size_t untimed_count;
    struct recent recent[RECENT_MAX];
    size_t recent_next;
    struct answer answer[ANSWERS_MAX]; /* a ring in order of seq */
    size_t answer_first, answer_count;

    /* time */
    struct utcmap utc;
    struct tcmap timecode;
    int64_t recorder_due_ns; /* when its clock is observed again */
    struct {
        bool waiting; /* a FLASH is on its way, or its instant is known and the frame is not */
        bool lit;
        int pad;
        uint16_t id;
        int64_t token;
        int64_t asked_ns;
        int64_t lo_ns, hi_ns;
    } clap;

    /* telemetry */
    struct feed_state feed[ENGINE_FEEDS_MAX];
    struct channel_set *channels;
    struct track track;
    struct feed_context recalled; /* restoring: the samples of one instant; engine NULL: none */

    /* record */
    struct dive_state dive;
    uint32_t markers_outside;
    char seat[WATCH_SEATS_MAX][SEAT_SIZE];
    char who[WATCH_SEATS_MAX][WHO_SIZE];
    size_t seat_count;
    struct watchlog *watch;
    void *watch_memory;
    struct change_ref change[CHANGES_MAX];
    size_t change_count;
    char strike_why[NOTE_SIZE], strike_by[WHO_SIZE];  /* of the strike by name in hand */
    struct sample_note sample_note[SAMPLE_NOTES_MAX]; /* a ring */
    size_t sample_note_count;
    struct watch_refusal refusal;
    char refusal_container[CONTAINER_SIZE];
    struct unsettled unsettled[UNSETTLED_MAX];
    size_t unsettled_count;
    struct retimed retimed[RETIMED_MAX];
    size_t retimed_count;

    struct entry entry; /* the one being made */
    struct entry spare; /* of what follows from it */
};

/* engine_sink.c: the sink with something to call for every member */
struct engine_sink engine_sink_whole(const struct engine_sink *sink);

/* engine.c */
struct entry *engine_entry(struct engine *e, enum entry_type type);
void engine_commit(struct engine *e, struct entry *entry);
void engine_notice(struct engine *e, enum entry_type type, const char *about, const char *state,
                   const char *format, ...) __attribute__((format(printf, 5, 6)));
void engine_log(struct engine *e, enum engine_log_level level, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
void engine_copy(char *out, size_t size, const char *text);
/* Queues an answer for when all entries made so far are durable. False: no room. */
bool engine_answers_full(const struct engine *e);
struct answer *engine_answer(struct engine *e);
void engine_answer_committed(struct engine *e, int64_t seq);

/* engine_pad.c */
void engine_pad_up(struct engine *e, int pad);
void engine_pad_down(struct engine *e, int pad, const struct fields *fields);
void engine_pad_bytes(struct engine *e, int pad, const void *bytes, size_t len);
void engine_pad_timer(struct engine *e, int pad);
void engine_pad_answer(struct engine *e, const struct answer *answer);
void engine_pad_cue(struct engine *e, int pad);
void engine_pad_send(struct engine *e, int pad, const struct wire_message *message);
struct boot *engine_boot(struct engine *e, const char *serial, uint32_t id);
void engine_boot_mark(struct boot *boot, uint32_t seq, enum press_state state);

/* engine_feed.c */
void engine_feed_up(struct engine *e, int feed, bool up, const struct fields *fields);
void engine_feed_bytes(struct engine *e, int feed, const void *bytes, size_t len);
void engine_feed_timer(struct engine *e, int feed);
/* A sample of before the restart, in order of time; it is in the store already. engine_feed_recalled() after the last. */
void engine_feed_recall(struct engine *e, int feed, int channel, mono_ns at, double value);
void engine_feed_recalled(struct engine *e);

/* engine_time.c */
int engine_time_init(struct engine *e);
void engine_utc(struct engine *e, const struct fields *fields);
void engine_utc_events(struct engine *e, unsigned events);
void engine_audio(struct engine *e, const struct fields *fields);
void engine_ltc(struct engine *e, const struct fields *fields);
void engine_utc_timer(struct engine *e);
void engine_timecode_timer(struct engine *e);
struct when engine_when(const struct engine *e, int64_t lo_ns, int64_t hi_ns);
struct timecode_stamp engine_time_of_day(const struct engine *e, utc_ns at, int64_t bound_ns);
struct timecode_stamp engine_timecode_at(const struct engine *e, int64_t lo_ns, int64_t hi_ns);

/* engine_marker.c */
struct press {
    uint8_t seat;
    enum marker_origin origin;
    int pad; /* -1: none */
    const char *serial;
    uint32_t boot_id, seq;
    pad_tick tick;
    const struct key_def *def; /* NULL: the key has no meaning in the plan */
    const struct keyplan *plan;
    const char *key, *gesture;
    const char *container; /* of a soft sample; NULL: as the key says */
    const char *note;
    const char *by;    /* who enters it; NULL: not said */
    const char *label; /* instead of the key's; NULL: the key's */
    uint32_t target;
    uint32_t instead_of; /* the marker of the key-down that a hold or chord refers to */
    uint8_t key_index;
    int64_t lo_ns, hi_ns; /* monotonic, the instant lies between; lo INT64_MIN: it is not known */
    bool utc_given;       /* a late entry for this UTC, as a person or the record on disk gives it */
    utc_ns utc;
    int64_t utc_bound_ns; /* of the given UTC; -1: not known */
};
/* The marker's number; *note says what the watch log made of it, `ref` (REF_SIZE) its reference. */
uint32_t engine_marker(struct engine *e, const struct press *press, enum watch_note *note, char *ref);
void engine_settle_timer(struct engine *e);
void engine_settle_all(struct engine *e);
void engine_retime(struct engine *e);
void engine_retime_later(struct engine *e, const char *dive, uint32_t number, int64_t lo_ns, int64_t hi_ns);
/* The answer to a lookup. */
void engine_stored(struct engine *e, const struct fields *fields);

/* engine_watch.c */
void engine_sample_note(struct engine *e, uint32_t marker, const char *text);
void engine_watch_sink(void *ctx, const struct watch_change *change);
void engine_watch_flush(struct engine *e);
void engine_idle_timer(struct engine *e);
void engine_idle_arm(struct engine *e);
uint8_t engine_seat(struct engine *e, const char *name);
/* From now on `who` sits at that seat: journalled where it is news. */
void engine_sits(struct engine *e, uint8_t seat, const char *who);

/* engine_command.c, engine_restore.c */
void engine_command(struct engine *e, const struct fields *fields);
/* Refuses the clap that waits for its pad. */
void engine_clap_give_up(struct engine *e, const char *why);
void engine_restore(struct engine *e, const struct fields *fields);

#endif
