/*
 * spill: what survives loss of power. The pad's serial, the number of its power-ups, and presses that waited too long for *kept*.
 *
 * Layout, version 1, byte addresses (integers little-endian, every crc as in wire.h with one version byte before the data):
 *
 *     0   8  not used: by common practice the bytes most at risk when power fails during a write (no published source)
 *     8  18  serial: 15 characters, zero-padded; 1 reserved (0); crc16
 *    32  48  boot ring: 8 times { boot u32, crc16 }
 *    80   n  press slots of SPILL_SLOT_BYTES: { mark u8; boot u32, seq u32, tick u48, before u16, after u16, key u8, gesture u8,
 *            of_delta u8; crc16 }
 *
 * What is valid. Serial and boot: crc right. A press: mark is not 00, and crc right. Power may fail between any two bytes written and
 * within one (the byte then reads as anything).
 *   - A press is written with its mark at 00, read back, and only then marked. A torn one is never seen.
 *   - *kept* sets the mark to 00. Torn, the press is offered once more, and the host knows it already.
 *   - A boot number is on record before the first press of that boot is sent. A torn one was never used.
 *   - The serial is set once. A torn one can be set again.
 * Wear: the boot ring goes round; press slots are taken in turn, going on after the newest on record.
 */
#ifndef PAD_SPILL_H
#define PAD_SPILL_H

#include "board.h"
#include "queue.h"
#include "bellrope/wire.h"

#ifndef PAD_SLOTS
#define PAD_SLOTS 64u /* slots this build can keep book of; 39 fit in 1,024 bytes */
#endif

enum {
    SPILL_SERIAL_AT = 8,
    SPILL_BOOT_AT = 32,
    SPILL_BOOT_SLOTS = 8,
    SPILL_BOOT_BYTES = 6,
    SPILL_PRESS_AT = 80,
    SPILL_SLOT_BYTES = 24,
};

enum spill_job { SPILL_IDLE, SPILL_WRITE, SPILL_VERIFY, SPILL_MARK, SPILL_MARK_VERIFY };
enum spill_what { SPILL_BOOT, SPILL_SERIAL, SPILL_PRESS, SPILL_CLEAR };

/* Owned by the caller; fields are the module's own. */
struct spill_state {
    uint8_t slots; /* press slots: as many as fit, at most PAD_SLOTS */
    uint8_t next;  /* slot to try first */
    uint8_t used[(PAD_SLOTS + 7) / 8];
    uint8_t clear[(PAD_SLOTS + 7) / 8]; /* slots whose mark is to be set to 00 */
    uint8_t away[(PAD_SLOTS + 7) / 8];  /* slots with a press that is waiting and not in the queue */

    uint8_t job;  /* enum spill_job */
    uint8_t what; /* enum spill_what */
    uint8_t slot;
    uint8_t at; /* next byte */
    uint8_t length;
    uint16_t address;
    uint8_t bytes[SPILL_SLOT_BYTES];

    uint32_t spilled; /* presses written in this boot */
    bool boot_written;
    bool serial_written; /* and not taken yet */
    bool failed;         /* a write did not read back; other slots are still used */
};

/*
 * Reads everything (blocks for the time that takes: some thousand reads). The serial, if one is set, goes to `serial`; the boot number of
 * this power-up to *boot (one more than any on record; left alone where there is none), true when it was counted; of the presses on
 * record the oldest go to `queue`, as far as it has room to spare, and the others follow. Starts to write the boot number.
 */
bool spill_init(struct spill_state *spill, const struct pad_board *board, char serial[WIRE_SERIAL_MAX + 1],
                uint32_t *boot, struct queue_state *queue);

/*
 * One step: at most one byte written. Sets the slot of the press it has put on record; lets go of presses on record when the queue is
 * nearly full, and brings them back, the oldest first, when it has room.
 */
void spill_run(struct spill_state *spill, const struct pad_board *board, struct queue_state *queue);

/* True when spill_press or spill_serial may be called. */
bool spill_free(const struct spill_state *spill);

/* Starts to write a press. False when no slot is free. */
bool spill_press(struct spill_state *spill, const struct queue_press *press);

/* The press in this slot (QUEUE_NO_SLOT: being written, or not on record) has been kept; names it, because it may be half written. */
void spill_kept(struct spill_state *spill, uint8_t slot, uint32_t boot, uint32_t seq);

/* Starts to write the serial. False when busy, or where there is no memory. */
bool spill_serial(struct spill_state *spill, const char *serial);

/* The serial that has just been put on record; only while serial_written, which it ends. */
void spill_take_serial(struct spill_state *spill, char serial[WIRE_SERIAL_MAX + 1]);

#endif
