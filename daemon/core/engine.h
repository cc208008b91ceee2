/*
 * engine: the whole daemon as a deterministic state machine.
 *
 *   inputs    (monotonic time, kind, source, bytes)          -> engine_input()
 *   effects   commit, publish, send to a pad, reply, wake ... -> struct engine_sink
 *
 * The engine never reads a clock, opens a file or allocates after engine_new(). Given the same configuration and the same inputs it
 * produces the same effects, so a tape of the inputs replays a dive exactly.
 *
 * Rules for the caller:
 *   - one thread; inputs in order of time (an earlier time than the last is taken as the last).
 *   - the time is sampled once per read, after the bytes were read and before they are handed in.
 *   - timers: the engine asks with `wake` for the next instant it wants to run; call engine_input(INPUT_TICK) then. Timers that are due
 *     before an input run first, at their own instants, so a late timer in the loop changes nothing.
 *   - effects are handed over during engine_input(); pointers in them live until the call returns. Do not call the engine from inside one.
 *   - `commit` entries come in order of seq without gaps. When all up to seq n are synced to disk, hand in INPUT_COMMITTED. Only then does
 *     the engine tell the pad *kept*, answer the command, and ask to publish.
 */
#ifndef BELLROPE_CORE_ENGINE_H
#define BELLROPE_CORE_ENGINE_H

#include "core/channel.h"
#include "core/entry.h"
#include "core/keyplan.h"
#include "core/timecode.h"
#include "core/columns.h"

#define ENGINE_PADS_MAX 8
#define ENGINE_FEEDS_MAX 16

/*
 * What comes in. PAD and FEED carry raw bytes; all others carry a `fields` record (core/fields.h):
 *
 *   PAD_UP, PAD_DOWN, FEED_UP, FEED_DOWN   op=up|down [why=TEXT]
 *   UTC        op=utc before=NS utc=NS after=NS synced=0|1 max_error_us=N est_error_us=N leap=0|1|2|3|4
 *                                          (mono before, realtime, mono after; kernel state)
 *   AUDIO      op=audio end=SAMPLE         samples up to END (a count from the start of this stream) were read by now; op=audio down why=TEXT
 *                                          tells that the stream ended; the next stream counts from 0
 *   LTC        op=ltc word=20 HEX DIGITS start=SAMPLE end=SAMPLE reverse=0|1     one decoded word
 *   COMMAND    op=press|sample|dive.begin|... token=N ...    see docs/socket.md; `source` is not used
 *   COMMITTED  op=committed seq=N
 *   STORE      op=store state=ok|failing|full why=TEXT
 *   RESTORE    what the store remembers, before any other input; later, between dives, an ended dive that is to be amended;
 *              docs/database.md
 *   TICK       no bytes
 */
enum input_kind {
    INPUT_TICK,
    INPUT_PAD,
    INPUT_PAD_UP,
    INPUT_PAD_DOWN,
    INPUT_FEED,
    INPUT_FEED_UP,
    INPUT_FEED_DOWN,
    INPUT_UTC,
    INPUT_AUDIO,
    INPUT_LTC,
    INPUT_COMMAND,
    INPUT_COMMITTED,
    INPUT_STORE,
    INPUT_RESTORE,
    INPUT_KINDS
};

struct engine_pad_config {
    char name[SOURCE_SIZE]; /* of its section in the configuration */
    char seat[SEAT_SIZE];
    uint32_t baud; /* for the wire time; 0 where the line does not pace bytes (a pseudo-terminal) */
    bool
        is_evdev; /* a plain number pad: PAD carries `op=key key=A1 seq=N at=NS within=NS`, the kernel's own time of it */
};

enum feed_format { FEED_NMEA, FEED_COLUMNS };
enum feed_subject { FEED_AS_SHIP, FEED_AS_VEHICLE };

struct engine_feed_config {
    char name[SOURCE_SIZE];
    enum feed_format format;
    enum feed_subject subject;
    int64_t latency_ns;     /* how long before its arrival a value was true */
    int64_t stale_ns;       /* no answer is interpolated across a gap longer than this */
    bool datagrams;         /* each FEED input ends its last line, as a UDP datagram does */
    bool checksum_optional; /* NMEA without checksum is taken */
    struct columns columns; /* where format is FEED_COLUMNS */
};

struct engine_config {
    struct engine_pad_config pad[ENGINE_PADS_MAX];
    size_t pad_count;
    struct engine_feed_config feed[ENGINE_FEEDS_MAX];
    size_t feed_count; /* in order of priority: of two feeds for one channel the first is asked first */
    struct channel_names names; /* the user's x.NAME channels */
    int utc_feed;               /* index of the GNSS feed that gives UTC; -1: the system's clock */
    int64_t utc_delay_min_ns, utc_delay_max_ns; /* of that feed's sentences after the second they name */
    bool timecode_from_ltc;                     /* else free-running time of day */
    enum timecode_rate rate;
    int32_t audio_sample_rate_hz;
    int64_t audio_latency_min_ns, audio_latency_max_ns;
    int64_t settle_ns;     /* how long a marker waits for samples that bracket it; 0: the default, 5 s */
    int64_t idle_close_ns; /* an open sighting with no press for so long is closed; 0: the default, 15 min */
    int64_t planned_bottom_ns;                                    /* bottom time planned; 0: not said */
    char vehicle[LABEL_SIZE], ship[LABEL_SIZE], site[LABEL_SIZE]; /* told with dive.begin */
};

/* One telemetry value on its way to the store; may be shed under pressure, unlike entries. */
struct engine_sample {
    const char *channel;
    const char *feed;
    mono_ns at;
    utc_ns utc; /* best estimate when it came; 0 where no UTC is known */
    double value;
};

/* A clock constraint worth keeping: at `a` of `clock`, host monotonic (or UTC) lay in [lo, hi]. */
struct engine_observation {
    const char *clock; /* "pad P-03 4711" (serial, boot), "utc", "recorder 25" (a is mono), "clap" */
    int64_t a, lo, hi;
};

/*
 * A late entry whose instant lies further back than the engine's memory of telemetry: what was true then is asked of the record on disk.
 * The answer comes as INPUT_COMMAND op=stored (store/lookback.h writes it); without one the marker stays as it was committed.
 */
struct engine_lookup {
    char dive[DIVE_ID_SIZE];
    uint32_t marker;
    struct when when;
    bool want_timecode; /* the recorder's; time of day follows from UTC */
};

/* JSON-RPC codes of our own, -32000 downwards; docs/socket.md lists them. */
enum engine_refusal {
    REFUSED_NOT = 0,
    REFUSED_PARAMS = -32602,
    REFUSED_NO_DIVE = -32000,   /* needs an open dive */
    REFUSED_DIVE_OPEN = -32001, /* another dive is open */
    REFUSED_NO_SUCH = -32002,   /* key, seat or record not known */
    REFUSED_FULL = -32003,      /* container or queue full */
    REFUSED_STORE = -32004,     /* the store cannot write now */
    REFUSED_STATE = -32005      /* not possible in this state, e.g. already struck */
};

struct engine_reply {
    int64_t token;
    enum engine_refusal refusal;
    char text[256]; /* the refusal for people: what, where, what to do */
    int64_t seq;    /* the entry that came of it; 0: none */
    char ref[REF_SIZE];
};

enum engine_log_level { ENGINE_LOG_INFO, ENGINE_LOG_WARNING, ENGINE_LOG_ERROR };

/* A member that is NULL is not called: nobody wants that effect. */
struct engine_sink {
    void *ctx;
    void (*commit)(void *ctx, const struct entry *entry);
    void (*publish)(void *ctx, int64_t seq_to);
    void (*pad_send)(void *ctx, int pad, const uint8_t *bytes, size_t len);
    void (*sample)(void *ctx, const struct engine_sample *sample);
    void (*observe)(void *ctx, const struct engine_observation *observation);
    void (*reply)(void *ctx, const struct engine_reply *reply);
    void (*wake)(void *ctx, mono_ns at);
    void (*log)(void *ctx, enum engine_log_level level, const char *text);
    void (*lookup)(void *ctx, const struct engine_lookup *lookup);
};

struct engine;

/* Allocates all the engine will ever use; NULL where memory is short. The configuration is copied. */
struct engine *engine_new(const struct engine_config *config, const struct engine_sink *sink);
void engine_free(struct engine *engine);

void engine_input(struct engine *engine, enum input_kind kind, int source, mono_ns now, const void *bytes,
                  size_t len);

/* Swaps the plan of a pad between presses (source = pad index); state is kept. */
void engine_plan(struct engine *engine, int pad, mono_ns now, const struct keyplan *plan);

/* One line of `status`: what, how it is, and a sentence. Sick lines first. */
struct engine_status_line {
    char what[32];
    bool sick;
    char text[224];
};
void engine_status(struct engine *engine, mono_ns now,
                   void (*sink)(void *ctx, const struct engine_status_line *line), void *ctx);

/* The dive that is open; empty text: none. */
const char *engine_dive(const struct engine *engine);
/* The dive whose markers, sightings and containers the engine has in hand: the open one, the last one ended, or an ended one that was
 * restored to be amended. Empty text: none. */
const char *engine_dive_in_hand(const struct engine *engine);

#endif
