/*
 * emulator_campaign: long runs of the emulated pad against a host that keeps, with the truth known.
 *
 * Each prints a table and a verdict, and its seed first; the same seed gives the same run.
 */
#ifndef BELLROPE_RIG_EMULATOR_CAMPAIGN_H
#define BELLROPE_RIG_EMULATOR_CAMPAIGN_H

#include <stdbool.h>
#include <stdint.h>

/*
 * `presses` presses with bounce (contact.h) one after the other, spikes and chatter shorter than a press in between. True when
 * none was missed, doubled or invented, and every stamp's bounds held the first contact.
 */
bool campaign_presses(const char *image, uint64_t seed, unsigned presses);

/*
 * `cuts` power-ups, each with a few presses, a host that is there or not, and loss of power at a random instant. True when every press
 * that was shown green is stored exactly once, and every press that was on record when power failed is delivered after it, once.
 */
bool campaign_cuts(const char *image, uint64_t seed, unsigned cuts);

/* A firmware that has lost its way, with a press on record: true when the watchdog restarts it and the press is delivered. */
bool campaign_hang(const char *image, uint64_t seed);

#endif
