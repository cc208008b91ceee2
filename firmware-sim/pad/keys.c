/* keys: see keys.h for the model. */
#include "keys.h"

#include "since.h"

enum key_state { OPEN, RISING, DOWN, REFUSED };

#define TOUCH_OLD_US UINT32_C(60000000)

/* What one scan looks at. */
struct look {
    struct keys_state *keys;
    const struct pad_board *board;
    const struct keys_settings *set;
    keys_sink *sink;
    void *ctx;
    uint64_t tick_us;
    uint32_t now; /* its low 32 bits */
    uint32_t step_us;
    uint32_t touch; /* low 32 bits of what the latch said */
    uint8_t column[8];
    uint8_t corner[8]; /* keys at the corners of a closed rectangle */
    bool alone;        /* one key is closed, and no other is anything but open */
    bool touched;      /* the latch said so */
    bool moved;        /* a contact moved between the last scan and this one */
    bool calm;         /* none had for KEYS_STEP_US before that */
};

void keys_init(struct keys_state *keys)
{
    *keys = (struct keys_state){.awake = false};
}

static uint16_t saturate(uint32_t us)
{
    return us > 65535u ? 65535u : (uint16_t)us;
}

/* Ticks near `now` from their low halves; a stamp may lie ahead of the turn's tick by the time of a scan. */
static uint64_t widen(const struct look *look, uint32_t low)
{
    int32_t ahead = (int32_t)(low - look->now);
    return ahead >= 0 ? look->tick_us + (uint32_t)ahead : look->tick_us - (uint32_t)-ahead;
}

static void tell(const struct look *look, enum keys_event_kind kind, uint8_t key, uint8_t with, uint32_t tick)
{
    struct keys_event event = {.kind = (uint8_t)kind, .key = key, .with = with, .tick_us = widen(look, tick)};
    if (key < PAD_KEYS) {
        event.before_us = look->keys->key[key].before_us;
        event.after_us = look->keys->key[key].after_us;
    }
    look->sink(look->ctx, &event);
}

/* ---- the instant of the first contact ---- */

static void begin_candidate(const struct look *look, struct keys_key *key)
{
    struct keys_state *keys = look->keys;
    uint32_t seen = look->now + look->board->scan_us;
    uint32_t awake = seen - keys->touch;
    bool fresh = keys->touch_fresh;

    keys->touch_fresh = false;
    key->state = RISING;
    keys->engaged++;
    key->score_us = 0;
    key->held = false;
    key->stuck = false;
    if (fresh && look->alone) {
        /* The touch that woke the scan is this key's: unless all was calm in between it is the same bounce, else it may have been noise. */
        key->edge = keys->touch;
        key->before_us = look->board->touch_us;
        key->after_us = look->calm ? saturate(awake) : 0;
        return;
    }
    /* No latch saw it: the last scan found it open, or open again after a touch of which nobody knows. */
    uint32_t before = keys->looked ? seen - keys->last_scan + KEYS_BOUNCE_US : UINT32_MAX;
    awake += look->board->touch_us;
    if (look->board->touched != 0 && before > awake) {
        before = awake; /* nothing touched before the touch that woke the scan */
    }
    key->edge = seen;
    key->before_us = saturate(before);
    key->after_us = 0;
}

/* ---- one key, one scan ---- */

static void come_to_rest(const struct look *look, struct keys_key *key)
{
    key->state = OPEN;
    look->keys->engaged--;
}

/* The key that went down together with this one and is still down. */
static uint8_t chord_partner(const struct look *look, uint8_t index)
{
    const struct keys_key *key = look->keys->key;
    uint8_t partner = 255;
    uint32_t least = look->set->chord_us;

    for (uint8_t i = 0; i < look->board->rows * look->board->cols && i < PAD_KEYS; i++) {
        int32_t apart = (int32_t)(key[index].edge - key[i].edge);
        uint32_t distance = (uint32_t)(apart < 0 ? -apart : apart);
        if (i != index && key[i].state == DOWN && key[i].closed && !key[i].held && distance <= least) {
            partner = i;
            least = distance;
        }
    }
    return partner;
}

static void rise(const struct look *look, uint8_t index, bool closed)
{
    struct keys_key *key = &look->keys->key[index];

    if (!closed && look->moved) {
        key->open =
            look->now; /* it has touched since the last scan, or something else has: the bounce goes on */
    }
    /* Closed again after a gap longer than a bounce's: what came before it may have been noise. */
    if (closed && !key->closed && since(look->now, key->open, KEYS_STEP_US)) {
        key->after_us = saturate(look->now + look->board->scan_us - key->edge);
    }
    if (closed && key->closed) {
        uint32_t step = look->step_us < KEYS_STEP_US ? look->step_us : KEYS_STEP_US;
        step = look->moved ? step / 4 : step;
        key->score_us = saturate(key->score_us + step);
    } else {
        key->score_us = look->step_us < key->score_us ? (uint16_t)(key->score_us - look->step_us) : 0;
    }
    if (closed && key->score_us >= look->set->confirm_us) {
        key->state = DOWN;
        tell(look, KEYS_DOWN, index, chord_partner(look, index), key->edge);
    } else if (!closed && ((!key->closed && since(look->now, key->open, KEYS_FORGET_US)) ||
                           since(look->now, key->edge, KEYS_UNDECIDED_US))) {
        come_to_rest(look, key);
        look->keys->chatter++;
    }
}

/* DOWN or REFUSED: how long it is held, and whether it has opened for good. */
static void stay(const struct look *look, uint8_t index, bool closed)
{
    struct keys_key *key = &look->keys->key[index];

    if (closed && key->closed) {
        if (key->state == DOWN && !key->held && since(look->now, key->edge, look->set->hold_us)) {
            key->held = true;
            tell(look, KEYS_HOLD, index, 255, key->edge + look->set->hold_us);
        }
        if (!key->stuck && since(look->now, key->edge, look->set->stuck_us)) {
            key->stuck = true;
            tell(look, KEYS_STUCK, index, 255, look->now);
        }
    } else if (!closed && !key->closed && since(look->now, key->open, look->set->lockout_us)) {
        come_to_rest(look, key);
        if (key->stuck) {
            key->stuck = false;
            tell(look, KEYS_STUCK_END, index, 255, look->now);
        }
    }
}

static void refuse(const struct look *look, uint8_t index)
{
    look->keys->key[index].state = REFUSED;
    look->keys->ghosting = true;
    tell(look, KEYS_GHOST, index, 255, look->now);
}

static void step_key(const struct look *look, uint8_t index, bool closed, bool corner)
{
    struct keys_key *key = &look->keys->key[index];

    if (!closed && key->closed) {
        key->open = look->now;
    }
    if (key->state == OPEN && closed) {
        begin_candidate(look, key);
    } else if (key->state == RISING) {
        rise(look, index, closed);
    } else if (key->state != OPEN) {
        stay(look, index, closed);
    }
    if (key->state == RISING && closed && corner) {
        refuse(look, index);
    }
    key->closed = closed;
}

/* ---- the whole matrix ---- */

static void find_corners(struct look *look)
{
    for (uint8_t a = 0; a < look->board->cols; a++) {
        for (uint8_t b = (uint8_t)(a + 1); b < look->board->cols; b++) {
            uint8_t common = look->column[a] & look->column[b];
            if ((common & (uint8_t)(common - 1)) != 0) { /* two rows or more */
                look->corner[a] |= common;
                look->corner[b] |= common;
            }
        }
    }
}

/* Answers how many keys are closed. */
static uint8_t read_matrix(struct look *look)
{
    uint8_t closed = 0;
    uint8_t rows = (uint8_t)((1u << look->board->rows) - 1u);

    for (uint8_t c = 0; c < look->board->cols; c++) {
        uint8_t column = look->board->read_column(look->board->ctx, c) & rows;
        look->column[c] = column;
        look->corner[c] = 0;
        for (; column != 0; column &= (uint8_t)(column - 1)) {
            closed++;
        }
    }
    return closed;
}

/* Index, row and column go on together: divisions are dear on a small part. */
static void step_keys(const struct look *look)
{
    struct keys_key *key = look->keys->key;
    uint8_t index = 0;
    uint8_t corners = 0;

    for (uint8_t r = 0; r < look->board->rows; r++) {
        uint8_t bit = (uint8_t)(1u << r);
        for (uint8_t c = 0; c < look->board->cols && index < PAD_KEYS; c++, index++, key++) {
            bool closed = (look->column[c] & bit) != 0;
            if (closed || key->closed || key->state != OPEN) {
                step_key(look, index, closed, (look->corner[c] & bit) != 0);
                corners |= look->corner[c];
            }
        }
    }
    if (look->keys->ghosting && corners == 0) {
        look->keys->ghosting = false;
        tell(look, KEYS_GHOST_END, 255, 255, look->now);
    }
}

/* Whether there is anything to scan for. The latch is asked every time, so that it never tells of a touch long past. */
static bool wake(struct look *look)
{
    struct keys_state *keys = look->keys;
    uint64_t touch_us = look->tick_us;

    if (look->board->touched == 0) {
        keys->awake = true;
        return true;
    }
    look->touched = look->board->touched(look->board->ctx, &touch_us);
    look->touch = (uint32_t)touch_us;
    /* The first touch of a press: all keys are at rest, and have been for longer than any bounce. */
    bool first = !keys->awake || (keys->engaged == 0 && since(look->touch, keys->last_move, KEYS_FORGET_US));
    if (look->touched && first) {
        keys->awake = true;
        keys->touch = look->touch;
        keys->touch_fresh = true;
        keys->last_move = look->touch;
    } else if (since(look->now, keys->touch, TOUCH_OLD_US)) {
        keys->touch = look->now - TOUCH_OLD_US; /* so that 32 bits always tell its age */
    }
    return keys->awake;
}

/* Whether no contact moved for a step before the movement, if any, that came since the last scan. */
static bool was_calm(const struct look *look)
{
    uint32_t last_move = look->keys->last_move;
    if ((look->moved || look->touched) && look->step_us <= KEYS_STEP_US) {
        return since(look->keys->last_scan, last_move, KEYS_STEP_US);
    }
    return since(look->now, last_move, KEYS_STEP_US);
}

/* Only after a calm longer than any bounce, so that the touch that ends the sleep is the first of its press. */
static void sleep_if_idle(const struct look *look, uint8_t closed)
{
    struct keys_state *keys = look->keys;

    if (closed == 0 && keys->engaged == 0 && since(look->now, keys->last_move, KEYS_FORGET_US)) {
        keys->awake = false;
    }
}

void keys_scan(struct keys_state *keys, const struct pad_board *board, const struct keys_settings *settings,
               uint64_t tick_us, keys_sink *sink, void *ctx)
{
    struct look look = {.keys = keys, .board = board, .set = settings, .sink = sink, .ctx = ctx};
    look.tick_us = tick_us;
    look.now = (uint32_t)tick_us;
    look.step_us = keys->looked ? look.now - keys->last_scan : 0;

    if (wake(&look)) {
        look.moved = board->moved != 0 && board->moved(board->ctx);
        look.calm = was_calm(&look);
        keys->last_move = look.moved ? look.now : look.touched ? look.touch : keys->last_move;
        uint8_t closed = read_matrix(&look);
        look.alone = closed == 1 && keys->engaged == 0;
        if (!board->diodes && closed > 3) {
            find_corners(&look);
        }
        step_keys(&look);
        sleep_if_idle(&look, closed);
    }
    keys->last_scan = look.now;
    keys->looked = true;
}
