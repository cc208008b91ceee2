/*
 * deck: everything around a daemon in real time, in one process and on one loop: pads with their real firmware behind pseudo-terminals, feeds over
 * UDP or serial lines, a recorder's audio, subscribers that resume, and the daemon itself as a child that may be killed and started at any
 * instant. Presses, pulls and kills are ordered from outside as the campaign goes; the rig remembers what really happened.
 *
 * At the end the record is held against it: every press made is there once, the journal has no gap, each subscriber had each event once, with the
 * bytes that the journal has, and every instant lies inside its bound (bellrope-rig's comparison).
 */
#ifndef BELLROPE_TESTS_FAULT_DECK_H
#define BELLROPE_TESTS_FAULT_DECK_H

#include "campaign.h"

#include <sys/types.h>

struct deck;

enum { DECK_PADS = 2, DECK_SERIAL_FEEDS = 2 };

struct deck_options {
    int subscribers;
    bool serial_feeds;        /* vehicle and CTD on serial lines instead of UDP */
    const char *preload;      /* a library loaded into the daemon, or NULL */
    const char *preload_file; /* told to it as BELLROPE_SHIM */
    const char *database;     /* folder of the database; NULL: the campaign's */
    int64_t press_every_ns;   /* mean distance of presses on each pad; at least 200 ms */
    int64_t tick_ns;          /* of the loop; 0: 1 ms */
    bool no_tape;
};

/* NULL with a word on stderr. The daemon is not started yet. */
struct deck *deck_new(struct campaign *campaign, const struct deck_options *options);
void deck_free(struct deck *deck);

/* Runs the loop until that instant of CLOCK_BOOTTIME, or for so long. */
void deck_run_until(struct deck *deck, int64_t at_ns);
void deck_run(struct deck *deck, int64_t for_ns);

void deck_start(struct deck *deck); /* the daemon */
void deck_kill(struct deck *deck);  /* SIGKILL */
/* SIGTERM; the exit code, -1: it had to be killed. */
int deck_stop(struct deck *deck);
/* Whether it runs. One that ended by itself is counted and told. */
bool deck_alive(struct deck *deck);
pid_t deck_pid(const struct deck *deck);
/* A daemon that ends by itself is no failure from now on (its exit is then in deck_alive). */
void deck_may_end(struct deck *deck, bool may);

void deck_presses(struct deck *deck, bool on);
/* When the next contact touches, as far as it is known now. */
int64_t deck_next_press_ns(const struct deck *deck);
void deck_pull(struct deck *deck, int pad, bool keeps_power);
void deck_plug(struct deck *deck, int pad);
void deck_feed_pull(struct deck *deck, int feed); /* 0 or 1: a serial line */
void deck_feed_plug(struct deck *deck, int feed);
void deck_recorder(struct deck *deck, bool on);

/* What is wrong begins now: the presses that wait are at risk, and recovery counts from here to the first press kept. */
void deck_fault(struct deck *deck);
/* The fault that went before is over; recovery counts from here again. */
void deck_fault_over(struct deck *deck);

struct deck_count {
    int64_t made, kept, refused, gone;
    int64_t waiting; /* made and not kept */
    int64_t at_risk; /* summed over the faults */
    double
        recovery_ms; /* the worst, from deck_fault() or the press, whichever is later, to the first press kept */
    double recovery_median_ms;
    int64_t events; /* received by all subscribers */
    int64_t reconnects;
    int64_t red[DECK_PADS]; /* how often the daemon asked for the lamp of a fault */
};
void deck_count(const struct deck *deck, struct deck_count *out);
bool deck_is_red(const struct deck *deck, int pad);

/* Contact to green of presses made in [from, to), in ms; to be freed. */
double *deck_greens(const struct deck *deck, int64_t from_ns, int64_t to_ns, size_t *count);

/* No more presses: runs until all are kept and every subscriber has everything, ends the daemon and compares; failures go to the campaign. */
struct deck_verdict {
    int64_t lost, doubled;
};
void deck_finish(struct deck *deck, struct deck_verdict *verdict);

/* One integer of the database. */
int64_t deck_ask(const struct deck *deck, const char *sql);
const char *deck_socket(const struct deck *deck);
const char *deck_database(const struct deck *deck);
const char *deck_log(const struct deck *deck);

#endif
