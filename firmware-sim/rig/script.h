/*
 * script: what the rig is told to do, one line a statement. docs/rig.md is the manual.
 *
 *   seed 7
 *   pad science serial P-01 clock 1800ppm batch 16ms
 *   ship to 127.0.0.1:5501
 *   recorder to ltc.fifo rate 25 start 10:00:00:00
 *   at 3.250 pad science key B2 hold 700ms
 *   at 12 pull nav power on
 *
 * Reading gathers every mistake with its line. Nothing is opened here.
 */
#ifndef BELLROPE_RIG_SCRIPT_H
#define BELLROPE_RIG_SCRIPT_H

#include "core/timecode.h"
#include "world.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum {
    SCRIPT_PADS_MAX = 8,
    SCRIPT_NAME_SIZE = 16,
    SCRIPT_TEXT_SIZE = 128,
    SCRIPT_PATH_SIZE = 256,
    SCRIPT_CHORD_MAX = 4
};

enum script_verb {
    SCRIPT_KEY,    /* a finger on one key, or several together */
    SCRIPT_RANDOM, /* many presses at random instants */
    SCRIPT_PULL,   /* a pad's plug is pulled */
    SCRIPT_PLUG,
    SCRIPT_GARBLE, /* random bytes on a pad's line, or spoilt lines on a feed */
    SCRIPT_FEED,   /* a feed falls silent or speaks again */
    SCRIPT_JUMP,   /* the recorder's timecode jumps */
    SCRIPT_SILENT, /* the recorder's audio drops out */
    SCRIPT_LEVEL,
    SCRIPT_NOISE,
    SCRIPT_RECORDER, /* the recorder is stopped or started */
    SCRIPT_SIGNAL,   /* a word for whoever watches the truth file */
    SCRIPT_SAY,      /* a line for people */
    SCRIPT_END
};

/* What speaks: the ship's bridge, the acoustic positioning of the vehicle, the vehicle itself, its CTD. */
enum script_feed { SCRIPT_SHIP, SCRIPT_ACOUSTIC, SCRIPT_VEHICLE, SCRIPT_CTD, SCRIPT_FEEDS };

struct script_action {
    int64_t at_ns; /* since the rig began */
    int line;
    enum script_verb verb;
    int pad;                        /* index; -1: none */
    uint32_t pads;                  /* SCRIPT_RANDOM: a bit each pad */
    uint64_t keys[SCRIPT_PADS_MAX]; /* SCRIPT_RANDOM: a bit each key; 0: all keys */
    int feed;                       /* enum script_feed; -1: none */
    uint8_t key_count;              /* SCRIPT_KEY */
    uint8_t key[SCRIPT_CHORD_MAX];
    int64_t span_ns; /* hold, duration of a random bout, of a drop-out */
    int64_t count;   /* presses, bytes, lines */
    bool on;         /* SCRIPT_FEED, SCRIPT_RECORDER; SCRIPT_PULL: the pad keeps its power */
    bool relative;   /* SCRIPT_JUMP: `count` frames from here; else to the frame `count` */
    double number;   /* dB; NaN: none */
    char text[SCRIPT_TEXT_SIZE];
};

struct script_pad {
    char name[SCRIPT_NAME_SIZE];
    char serial[SCRIPT_NAME_SIZE];
    uint8_t rows, cols;
    bool diodes, latch, bounces, sounds;
    bool keeps;       /* has an EEPROM */
    double clock_ppm; /* positive: the pad's clock is fast */
    double swing_ppm; /* and goes to and fro by so much */
    double swing_period_s;
    uint64_t tick0_us; /* what its clock shows at power-up */
    int64_t batch_ns;  /* USB bridge's latency timer; 0: none */
    uint32_t baud;     /* 0: the line takes no time */
    int64_t turn_ns;   /* one turn of the firmware's loop */
};

struct script_feed_plan {
    bool used;
    char host[64];
    uint16_t port;
    int64_t every_ns;
    int64_t late_ns;   /* between the instant a value is of and its line's departure */
    int64_t jitter_ns; /* and at most so much more, evenly spread */
    int extra;         /* ctd: so many columns more than pressure, temperature, conductivity; 0 to 8 */
    double noise_m;    /* acoustic: standard deviation of a fix, each axis */
    double outliers;   /* acoustic: part of fixes that are far off */
};

struct script_recorder_plan {
    bool used;
    char path[SCRIPT_PATH_SIZE]; /* a fifo; made if it is not there */
    enum timecode_rate rate;
    int64_t start_frame;
    double clock_ppm;
    double level_db; /* of full scale */
    double noise_db; /* signal to noise; NaN: none */
};

struct script {
    uint64_t seed;
    int64_t limit_ns; /* how long to wait at the end for the last press to be kept */
    struct world world;
    struct script_pad pad[SCRIPT_PADS_MAX];
    int pad_count;
    struct script_feed_plan feed[SCRIPT_FEEDS];
    struct script_recorder_plan recorder;
    struct script_action *action; /* in order of time */
    size_t action_count;
    size_t action_room;
};

/* Told of each mistake: line (0: the script as a whole) and a sentence. */
typedef void script_problem(void *ctx, int line, const char *text);

/* An empty script with the defaults. */
void script_init(struct script *script);

/* Reads a text; returns the number of mistakes. Free with script_free() in any case. */
size_t script_parse(struct script *script, const char *text, size_t len, script_problem *problem, void *ctx);
void script_free(struct script *script);

/* Adds an action and keeps the order; false where memory is short. */
bool script_add(struct script *script, const struct script_action *action);

/* Index of a pad by name, -1: none. */
int script_pad_find(const struct script *script, const char *name);

/* The instant of the last action. */
int64_t script_length_ns(const struct script *script);

/* "3.25", "3.25s", "700ms", "250us", "2m", "5h" into ns; false where it is none of them. */
bool script_duration(const char *text, int64_t *ns);

const char *script_feed_name(enum script_feed feed);

#endif
