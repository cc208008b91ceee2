/*
 * lamp: what the lamp shows and the sounder says. Every state is a pattern of steps; the most important state that holds is
 * shown. Green means on disk, all of it; dark means that nobody listens. No two states have one rhythm: eyes that do not tell red from
 * green tell them apart.
 *
 *   state      lamp                              sounder
 *   flash      white for the time asked          silent
 *   identify   white and dark, quick             high and low by turns
 *   refused    red, three times                  three low
 *   struck     green, red, green: two short,     high, low
 *              one long
 *   kept       green for kept_ms                 one short high tick
 *   full       red and dark, slow                two long low, once (queue full, or the host asks for it)
 *   waiting    amber, dark for a moment twice    two short low, once, after 1 s of waiting
 *              a second
 *   stranded   amber for 0.1 s a second          one long low, once (waiting, and nobody listens)
 *   fault      two red winks every 3 s           silent (stuck key, ghost, memory)
 *   ready      one green wink every 3 s          silent (somebody listens, nothing waits)
 *   dark       dark                              silent
 */
#ifndef PAD_LAMP_H
#define PAD_LAMP_H

#include "board.h"

enum lamp_show {
    LAMP_DARK,
    LAMP_READY,
    LAMP_FAULT,
    LAMP_STRANDED,
    LAMP_WAITING,
    LAMP_FULL,
    LAMP_KEPT,
    LAMP_STRUCK,
    LAMP_REFUSED,
    LAMP_IDENTIFY,
    LAMP_FLASH,
};

/* What holds now; the caller's to state at every turn. */
struct lamp_facts {
    bool linked;
    bool waiting;
    bool full; /* the queue is full, or the host asked for its fault cue */
    bool fault;
    bool identify;
};

/* Owned by the caller; fields are the module's own. */
struct lamp_state {
    uint8_t show; /* enum lamp_show */
    uint8_t step;
    uint8_t colour;
    uint8_t tone;
    uint8_t event; /* KEPT, STRUCK or REFUSED while it is shown, else DARK */
    bool event_new;
    bool flash;
    uint32_t step_from; /* low 32 bits of ticks */
    uint32_t event_from;
    uint32_t event_us;
    uint32_t flash_from;
    uint32_t flash_us;
};

void lamp_init(struct lamp_state *lamp, const struct pad_board *board);

/* Something happened: LAMP_KEPT, LAMP_STRUCK or LAMP_REFUSED. kept_us: how long green stays. */
void lamp_event(struct lamp_state *lamp, enum lamp_show event, uint32_t kept_us, uint32_t now);

/* A key was pressed: whatever green there is ends. */
void lamp_pressed(struct lamp_state *lamp);

/* White for flash_us, from the lamp_run that follows on. */
void lamp_flash(struct lamp_state *lamp, uint32_t flash_us, uint32_t now);

/* Shows what is to be shown at `now` (low 32 bits of the tick); calls the board on change alone. */
void lamp_run(struct lamp_state *lamp, const struct pad_board *board, const struct lamp_facts *facts,
              bool sound, uint32_t now);

#endif
