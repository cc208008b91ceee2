/*
 * clockmap: a bounded mapping from clock A (ticks) to clock B (nanoseconds).
 *
 * A map holds constraints "at tick a of clock A, clock B read between b_lo and b_hi" and answers, for any tick, an interval of B in which
 * the truth lies. docs/timing.md has the proof. What it rests on is the model of the two clocks, and nothing else:
 *
 *   B(a) grows by num/den ns a tick, times (1 + r). The rate error r is a drift plus a slew, r = d + e, with
 *     |r| <= rate_ppb                     always,
 *     |d(t) - d(u)| <= wander_ppb_per_s * |t - u|   and   <= wander_ppb      (temperature, ageing: slow),
 *     |e| <= slew_ppb                     (sudden: a host clock being steered by a time daemon).
 *   Every constraint given is true. No assumption is made on how its interval came about: delays may be as asymmetric as they like.
 *
 * How: each constraint is kept with an enclosure of the drift at its tick. A new one is first intersected with what its neighbours allow at
 * its tick; then every pair (it, other) bounds the mean rate between the two, and so the drift at both; and what an entry has gained is
 * passed on from neighbour to neighbour as far as it narrows anything. So each entry holds all that is known at its tick: an answer is the
 * intersection of its two neighbours' intervals, moved by the rates possible; what the others say has reached these. An empty
 * intersection means that a clock stepped (or the model does not hold): the map restarts from the new constraint alone and says so.
 *
 * Eviction: with the window full, the constraint goes whose gap would cost least for its age (the answer half way between its neighbours is
 * hardly wider than at them); never the oldest, never the newest, never the one that has just come. What stays is dense near the present
 * and sparse far back. Any subset of true constraints is true, so eviction costs width at most and never soundness.
 *
 * Integer arithmetic throughout, in 128 bits where needed, every rounding outward. Rates are kept in units of 2^-40.
 * The struct is the caller's; no allocation. clockmap_at is O(log window), clockmap_add O(window). Not for use from two threads at once.
 */
#ifndef BELLROPE_CORE_CLOCKMAP_H
#define BELLROPE_CORE_CLOCKMAP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CLOCKMAP_WINDOW 64

/* An end that is not known: pass these for constraints that bound one side only. */
#define CLOCKMAP_OPEN_LO INT64_MIN
#define CLOCKMAP_OPEN_HI INT64_MAX

struct clockmap_params {
    int64_t num, den;         /* nominal rate: num ns of B in den ticks of A; 1 .. 1e12 each */
    int64_t rate_ppb;         /* bound on the rate error in parts per 1e9; 0 .. 100,000,000 (10 %) */
    int64_t wander_ppb_per_s; /* bound on the change of the drift, per second by A; 0 .. 1,000,000,000 */
    int64_t wander_ppb;       /* bound on the change of the drift over any time; 0 .. 200,000,000 */
    int64_t slew_ppb;         /* bound on the sudden part of the rate error; 0 .. 100,000,000 */
    int64_t grain;            /* ticks by which a stamp of A may be earlier than its event; 0 .. 1,000,000 */
};

/* A keypad's microsecond tick against the host's monotonic clock: 6,000 ppm (ceramic resonators reach 5,000), 10 ppm/s and 3,000 ppm of
 * wander with temperature, 50 ppm of host slew; stamps 4 us apart (a 16 MHz timer divided by 64). */
struct clockmap_params clockmap_params_pad(void);

struct clockmap_interval {
    int64_t lo, hi; /* lo <= hi, both ends included */
};

struct clockmap_constraint {
    int64_t a;
    int64_t lo, hi; /* ns; CLOCKMAP_OPEN_LO, CLOCKMAP_OPEN_HI where open */
};

struct clockmap_entry {
    int64_t x;                /* nominal ns from the origin of the map, floor */
    int64_t a, lo, hi;        /* the constraint, tightened by the others */
    int64_t rate_lo, rate_hi; /* enclosure of the drift at a, 2^-40 */
    int64_t cost;             /* ns: what the gap would cost if this entry went; negative: to be worked out */
    bool changed;             /* its neighbours are to be told, within an add */
};

struct clockmap {
    struct clockmap_params params;
    struct clockmap_entry
        entry[CLOCKMAP_WINDOW + 1]; /* sorted by a; the last place is free but within an add */
    size_t count;
    int64_t origin; /* tick where x = 0 */
    bool has_origin;
    int64_t rate_max, wander_max, slew; /* 2^-40 */
    int64_t drift_lo, drift_hi;         /* 2^-40: of the drift at any time, from all that was ever added */
    int64_t wander;                     /* 2^-80 a ns */
    int64_t wander_full_ns;             /* time after which the wander has reached its maximum */
    uint32_t steps;                     /* restarts so far */
    int64_t step_ns;                    /* size of the last: constraint minus prediction, middle to middle */
};

enum clockmap_result {
    CLOCKMAP_OK,      /* taken */
    CLOCKMAP_STEP,    /* contradicts what was known: the map now holds this constraint alone */
    CLOCKMAP_REJECTED /* not a constraint (lo > hi, both ends open, out of range): the map is unchanged */
};

/* 0, or -1 where a parameter is out of its range. */
int clockmap_init(struct clockmap *map, const struct clockmap_params *params);

/* Forgets all constraints, keeps parameters and counters. */
void clockmap_clear(struct clockmap *map);

/* "At tick a, clock B read b_lo .. b_hi." Order of a does not matter. |b| < 2^62 where not open. */
enum clockmap_result clockmap_add(struct clockmap *map, int64_t a, int64_t b_lo, int64_t b_hi);

/*
 * A ping there and back, for A the far clock and B the near one. Near side: sent_ns read before the ping was written, got_ns after the
 * pong was read. Far side: stamps `received` of the ping's arrival and `sent` before the pong's first bit left, each up to `grain` ticks
 * early. wire_out_ns and wire_back_ns are known *least* times on the wire (clockmap_wire_ns), 0 where nothing is known. True whatever
 * the asymmetry:
 *   B(received + grain) >= sent_ns + wire_out_ns,   B(sent) <= got_ns - wire_back_ns.
 * One constraint is added, at tick `sent`. REJECTED where the times contradict themselves.
 */
enum clockmap_result clockmap_two_way(struct clockmap *map, int64_t sent_ns, int64_t received, int64_t sent,
                                      int64_t got_ns, int64_t wire_out_ns, int64_t wire_back_ns);

/* The least time that `bytes` take on an asynchronous line, 10 bits a byte: the nominal time less 3 %, since a sender may run its baud
 * rate that much fast and still be understood (an ATmega at 16 MHz makes 117,647 of 115,200). 0 for baud 0 (no such line). */
int64_t clockmap_wire_ns(uint32_t bytes, uint32_t baud);

/* The interval of B at tick a. False (and *out untouched) where nothing bounds it on both sides. */
bool clockmap_at(const struct clockmap *map, int64_t a, struct clockmap_interval *out);

/* The same, with open ends allowed; false only where nothing at all is known or a is out of range. */
bool clockmap_at_open(const struct clockmap *map, int64_t a, struct clockmap_interval *out);

/* The interval of A in which clock B read b: every tick outside it certainly had another reading. False as clockmap_at. */
bool clockmap_inverse(const struct clockmap *map, int64_t b, struct clockmap_interval *out);

/* What clockmap_add would make of a constraint: 0 agrees, -1 lies wholly below what is possible, +1 wholly above. */
int clockmap_check(const struct clockmap *map, int64_t a, int64_t b_lo, int64_t b_hi);

/* The rate error proved at the newest constraint, drift and slew together, in ppb rounded outward. False while the map is empty. */
bool clockmap_rate(const struct clockmap *map, int64_t *lo_ppb, int64_t *hi_ppb);

/* Constraints held, oldest tick first, for keeping: adding them to a fresh map with the same parameters restores it. */
size_t clockmap_count(const struct clockmap *map);
bool clockmap_get(const struct clockmap *map, size_t index, struct clockmap_constraint *out);

/* Middle, and half the width rounded up: |truth - middle| <= half. */
int64_t clockmap_middle(struct clockmap_interval interval);
int64_t clockmap_half(struct clockmap_interval interval);

#endif
