/* lamp: see lamp.h for the states and what they mean. */
#include "lamp.h"

#include "flash.h"
#include "since.h"

/* One step of a pattern; time in hundredths of a second, 0: for ever. */
struct step {
    uint8_t colour;
    uint8_t tone;
    uint8_t time_cs;
};

struct pattern {
    const FLASH struct step *step;
    uint8_t steps;
    uint8_t loop; /* after the last step comes this one */
};

#define DARK PAD_LAMP_DARK
#define GREEN PAD_LAMP_GREEN
#define AMBER PAD_LAMP_AMBER
#define RED PAD_LAMP_RED
#define WHITE PAD_LAMP_WHITE
#define OFF PAD_TONE_OFF
#define LOW PAD_TONE_LOW
#define HIGH PAD_TONE_HIGH

static const FLASH struct step dark[] = {{DARK, OFF, 0}};
static const FLASH struct step ready[] = {{DARK, OFF, 148}, {DARK, OFF, 148}, {GREEN, OFF, 4}};
static const FLASH struct step fault[] = {
    {RED, OFF, 8}, {DARK, OFF, 15}, {RED, OFF, 8}, {DARK, OFF, 135}, {DARK, OFF, 134}};
static const FLASH struct step stranded[] = {{AMBER, LOW, 40}, {AMBER, OFF, 10}, {DARK, OFF, 90}};
static const FLASH struct step waiting[] = {{AMBER, OFF, 50}, {DARK, OFF, 5},  {AMBER, OFF, 45},
                                            {AMBER, LOW, 6},  {AMBER, OFF, 6}, {AMBER, LOW, 6},
                                            {DARK, OFF, 5},   {AMBER, OFF, 45}};
static const FLASH struct step full[] = {
    {RED, LOW, 50}, {DARK, OFF, 50}, {RED, LOW, 50}, {DARK, OFF, 50}, {RED, OFF, 50}};
static const FLASH struct step kept[] = {{GREEN, HIGH, 3}, {GREEN, OFF, 0}};
static const FLASH struct step struck[] = {
    {GREEN, HIGH, 12}, {DARK, OFF, 5}, {RED, LOW, 12}, {DARK, OFF, 5}, {GREEN, OFF, 0}};
static const FLASH struct step refused[] = {{RED, LOW, 12}, {DARK, OFF, 8}, {RED, LOW, 12},
                                            {DARK, OFF, 8}, {RED, LOW, 12}, {DARK, OFF, 0}};
static const FLASH struct step identify[] = {{WHITE, HIGH, 10}, {DARK, LOW, 10}};
static const FLASH struct step flash[] = {{WHITE, OFF, 0}};

#define PATTERN(name, loop)                                                                                  \
    {                                                                                                        \
        name, (uint8_t)(sizeof(name) / sizeof(name)[0]), loop                                                \
    }

/* Indexed by enum lamp_show. */
static const FLASH struct pattern patterns[] = {
    PATTERN(dark, 0),    PATTERN(ready, 0),    PATTERN(fault, 0), PATTERN(stranded, 1),
    PATTERN(waiting, 6), PATTERN(full, 3),     PATTERN(kept, 1),  PATTERN(struck, 4),
    PATTERN(refused, 5), PATTERN(identify, 0), PATTERN(flash, 0),
};

enum { CS_US = 10000, EVENT_US = 600000 };

void lamp_init(struct lamp_state *lamp, const struct pad_board *board)
{
    *lamp = (struct lamp_state){.show = LAMP_DARK};
    board->lamp(board->ctx, PAD_LAMP_DARK);
    board->sounder(board->ctx, PAD_TONE_OFF);
}

void lamp_event(struct lamp_state *lamp, enum lamp_show event, uint32_t kept_us, uint32_t now)
{
    lamp->event = (uint8_t)event;
    lamp->event_new = true;
    lamp->event_from = now;
    lamp->event_us = event == LAMP_KEPT ? kept_us : EVENT_US;
}

void lamp_pressed(struct lamp_state *lamp)
{
    if (lamp->event == LAMP_KEPT) {
        lamp->event = LAMP_DARK;
    }
}

void lamp_flash(struct lamp_state *lamp, uint32_t flash_us, uint32_t now)
{
    lamp->flash = true;
    lamp->flash_from = now;
    lamp->flash_us = flash_us;
}

/* Events and the flash end by themselves; ends are latched, so that 32-bit ticks may wrap. */
static void expire(struct lamp_state *lamp, uint32_t now)
{
    if (lamp->flash && since(now, lamp->flash_from, lamp->flash_us)) {
        lamp->flash = false;
    }
    if (lamp->event != LAMP_DARK && since(now, lamp->event_from, lamp->event_us)) {
        lamp->event = LAMP_DARK;
    }
}

static enum lamp_show choose(const struct lamp_state *lamp, const struct lamp_facts *facts)
{
    if (lamp->flash) {
        return LAMP_FLASH;
    }
    if (facts->identify) {
        return LAMP_IDENTIFY;
    }
    if (lamp->event != LAMP_DARK) {
        return (enum lamp_show)lamp->event;
    }
    if (facts->full) {
        return LAMP_FULL;
    }
    if (facts->waiting) {
        return facts->linked ? LAMP_WAITING : LAMP_STRANDED;
    }
    if (!facts->linked) {
        return LAMP_DARK;
    }
    return facts->fault ? LAMP_FAULT : LAMP_READY;
}

/* At most one step a turn: a turn that comes late stretches a pattern, it does not skip. */
static void advance(struct lamp_state *lamp, enum lamp_show show, uint32_t now)
{
    const FLASH struct pattern *pattern = &patterns[show];

    if (lamp->show != show || (lamp->event_new && lamp->event == show)) {
        lamp->show = (uint8_t)show;
        lamp->step = 0;
        lamp->step_from = now;
        lamp->event_new = false;
        return;
    }
    uint8_t time_cs = pattern->step[lamp->step].time_cs;
    if (time_cs != 0 && since(now, lamp->step_from, (uint32_t)time_cs * CS_US)) {
        lamp->step = (uint8_t)(lamp->step + 1) < pattern->steps ? (uint8_t)(lamp->step + 1) : pattern->loop;
        lamp->step_from = now;
    }
}

void lamp_run(struct lamp_state *lamp, const struct pad_board *board, const struct lamp_facts *facts,
              bool sound, uint32_t now)
{
    expire(lamp, now);
    advance(lamp, choose(lamp, facts), now);

    const FLASH struct step *step = &patterns[lamp->show].step[lamp->step];
    uint8_t tone = sound ? step->tone : (uint8_t)PAD_TONE_OFF;
    if (step->colour != lamp->colour) {
        lamp->colour = step->colour;
        board->lamp(board->ctx, (enum pad_lamp)step->colour);
    }
    if (tone != lamp->tone) {
        lamp->tone = tone;
        board->sounder(board->ctx, (enum pad_tone)tone);
    }
}
