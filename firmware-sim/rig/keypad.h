/*
 * keypad: one simulated pad: contacts that bounce, a clock of its own, an EEPROM, a serial line and the USB bridge behind it,
 * and between them the real firmware (firmware-sim/pad), which cannot tell the difference.
 *
 * Time is an argument, in ns of the rig's clock. The firmware is run in turns of the loop, each at its own instant, up to the
 * instant asked for and never beyond: when the rig comes late, the turns it owes are run one by one, and the truth of an edge
 * does not depend on when the machine let the rig run. Bytes from the host become known to the pad at the instant they were
 * read at the earliest. So what the pad says of its clock is always consistent with cause and effect.
 *
 * The line takes 10 bits a byte at its speed. The bridge holds what the pad sends until its latency timer, which runs freely,
 * fires, or 62 bytes have come together; towards the pad it adds up to 1 ms (one USB frame) when it batches at all.
 * (Common practice of such bridges, no published source.)
 */
#ifndef BELLROPE_RIG_KEYPAD_H
#define BELLROPE_RIG_KEYPAD_H

#include "contact.h"
#include "pad.h"
#include "script.h"

#include <stdbool.h>
#include <stdint.h>

enum {
    KEYPAD_EEPROM_BYTES = 1024, /* an ATmega328P's; 3.4 ms a byte by its data sheet */
    KEYPAD_NO_PRESS = -1
};

/* What is to be told, all with the instant on the rig's clock. */
struct keypad_sink {
    void *ctx;
    /* Bytes leave the bridge towards the host. */
    void (*bytes)(void *ctx, int pad, int64_t now_ns, const uint8_t *bytes, size_t len);
    /* A contact touched for the first time; `press` is the number given to keypad_press(). */
    void (*touched)(void *ctx, int pad, int64_t at_ns, int press);
    void (*lamp)(void *ctx, int pad, int64_t at_ns, enum pad_lamp colour);
    /* The firmware sends a message; the host's message reaches it. */
    void (*said)(void *ctx, int pad, int64_t at_ns, const struct wire_message *message);
    void (*heard)(void *ctx, int pad, int64_t at_ns, const struct wire_message *message);
};

struct keypad;

/* `eeprom_path` keeps the EEPROM between runs of the rig; NULL: memory alone. NULL with a reason in errno. The plan and the
 * sink must outlive the pad. It has no power and no plug yet. */
struct keypad *keypad_new(const struct script_pad *plan, int index, uint64_t seed, const char *eeprom_path,
                          const struct keypad_sink *sink);
void keypad_free(struct keypad *pad);

/* Runs the firmware up to `now_ns`. */
void keypad_run(struct keypad *pad, int64_t now_ns);

/* A finger on a key at an instant not in the past, for `hold_ns`. False when too many edges are still to come. */
bool keypad_press(struct keypad *pad, uint8_t key, int64_t down_ns, int64_t hold_ns, int press);

/* The host's bytes, read at `now_ns`; call keypad_run() up to then before. Dropped while the plug is out. */
void keypad_bytes(struct keypad *pad, int64_t now_ns, const uint8_t *bytes, size_t len);

/* With the plug out both directions are lost. Power: off ends the firmware at once, in the middle of an EEPROM write too. */
void keypad_plug(struct keypad *pad, bool plugged);
void keypad_power(struct keypad *pad, int64_t now_ns, bool on);

/* The pad's own clock at an instant of this boot, in ticks; meaningful with power. */
uint64_t keypad_tick(const struct keypad *pad, int64_t at_ns);
bool keypad_powered(const struct keypad *pad);
uint32_t keypad_boot(const struct keypad *pad);
/* Whether the firmware still has the press of this key and (about) this instant, after a power-up say. */
bool keypad_holds(const struct keypad *pad, uint32_t boot, uint64_t tick_us, uint8_t key);
uint8_t keypad_waiting(const struct keypad *pad);

/* The next instant at which something outside the firmware's steady turns is due, INT64_MAX: none. */
int64_t keypad_next_edge_ns(const struct keypad *pad);

#endif
