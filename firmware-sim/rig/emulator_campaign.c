/* emulator_campaign: see emulator_campaign.h. */
#include "emulator_campaign.h"

#include "contact.h"
#include "emulator_chip.h"
#include "emulator_host.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { US = CHIP_CYCLES_PER_US, STEP = 50 * US, PRESSES_MAX = 8 };
#define MS ((uint64_t)1000 * US)

/* One pad on the bench: a chip, its memory, its host. */
struct bench {
    const char *image;
    uint64_t seed;
    struct chance chance;
    uint8_t eeprom[CHIP_EEPROM];
    struct chip *chip;
    struct host host;
    unsigned power_ups;

    uint8_t colours;
    uint64_t green_at; /* the last time the lamp turned green, after amber */
    uint64_t amber_at;
    unsigned greens;
};

static void on_sent(void *ctx, uint64_t cycle, uint8_t byte)
{
    struct bench *b = ctx;
    host_byte(&b->host, cycle, byte);
}

/* Green that follows amber says kept; a wink out of the dark says that somebody listens. */
static void on_lamp(void *ctx, uint64_t cycle, uint8_t colours)
{
    struct bench *b = ctx;
    if (colours == CHIP_GREEN && b->colours == (CHIP_RED | CHIP_GREEN)) {
        b->green_at = cycle;
        b->greens++;
    }
    if (colours == (CHIP_RED | CHIP_GREEN)) {
        b->amber_at = cycle;
    }
    b->colours = colours;
}

static bool power_up(struct bench *b, bool connected)
{
    struct chip_sink sink = {.ctx = b, .sent = on_sent, .lamp = on_lamp};
    b->chip = chip_new(b->image, b->eeprom, b->seed + ++b->power_ups, &sink);
    b->colours = 0;
    b->green_at = b->amber_at = 0;
    if (b->chip == NULL) {
        return false;
    }
    host_attach(&b->host, b->chip, connected);
    return true;
}

static bool run_to(struct bench *b, uint64_t cycle)
{
    for (uint64_t now = chip_cycle(b->chip); now < cycle; now = chip_cycle(b->chip)) {
        if (!chip_run(b->chip, now + STEP < cycle ? now + STEP : cycle)) {
            fprintf(stderr, "the firmware stopped at %.3f s after power-up %u\n", (double)now / 16e6,
                    b->power_ups);
            return false;
        }
        host_run(&b->host);
    }
    return true;
}

static bool begin(struct bench *b, const char *image, uint64_t seed)
{
    memset(b, 0, sizeof *b);
    b->image = image;
    b->seed = seed;
    b->chance = chance_split(seed, 3);
    memset(b->eeprom, 0xFF, sizeof b->eeprom);
    host_init(&b->host, seed);
    return power_up(b, true) && run_to(b, 200 * MS);
}

/* ---- figures ---- */

struct figures {
    double *value;
    size_t count, room;
};

static void add(struct figures *f, double value)
{
    if (f->count == f->room) {
        f->room = f->room == 0 ? 1024 : 2 * f->room;
        f->value = realloc(f->value, f->room * sizeof *f->value);
        if (f->value == NULL) {
            abort();
        }
    }
    f->value[f->count++] = value;
}

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void print(const char *what, const char *unit, struct figures *f)
{
    if (f->count > 0) {
        qsort(f->value, f->count, sizeof *f->value, by_value);
        printf("  %-44s p50 %8.3f  p99 %8.3f  worst %8.3f %s  (%zu)\n", what, f->value[f->count / 2],
               f->value[f->count * 99 / 100], f->value[f->count - 1], unit, f->count);
    }
    free(f->value);
}

/* ---- contacts ---- */

static void schedule(struct bench *b, const struct contact_press *press, uint8_t key)
{
    for (size_t i = 0; i < press->count; i++) {
        chip_contact(b->chip, (uint64_t)press->edge[i].at_ns * US / 1000, key, press->edge[i].closed);
    }
}

static void press_key(struct bench *b, uint64_t cycle, uint8_t key, uint64_t hold_cycles)
{
    struct contact_press press;
    contact_make(&press, &b->chance, (int64_t)(cycle * 1000 / US), (int64_t)(hold_cycles * 1000 / US), true);
    schedule(b, &press, key);
}

/* A train of closures, each shorter than a press and with gaps at least as long. Answers its end. */
static uint64_t chatter(struct bench *b, uint64_t cycle, uint8_t key)
{
    int64_t spikes = chance_range(&b->chance, 1, 8);
    for (int64_t i = 0; i < spikes; i++) {
        uint64_t closed = (uint64_t)chance_range(&b->chance, 5, 2500) * US;
        chip_contact(b->chip, cycle, key, true);
        chip_contact(b->chip, cycle + closed, key, false);
        cycle += 2 * closed + 300 * US;
    }
    return cycle;
}

/* ---- presses ---- */

struct tally {
    unsigned missed, doubled, invented, wrong_key, out_of_bounds, trains;
    struct figures to_green, error, bound;
};

static void judge(struct bench *b, struct tally *t, uint32_t seq, uint8_t key, uint64_t down,
                  size_t rows_before)
{
    size_t rows = b->host.rows - rows_before;
    t->missed += rows == 0;
    t->invented += rows > 1 ? (unsigned)(rows - 1) : 0;
    const struct host_row *row = host_find(&b->host, b->host.hello.boot, seq);
    if (row == NULL) {
        return;
    }
    double true_us = (double)(down - chip_tick_zero(b->chip)) / US;
    double tick_us = (double)row->press.tick_us;
    t->doubled += row->stored != 1;
    t->wrong_key += row->press.key != key;
    add(&t->error, true_us > tick_us ? true_us - tick_us : tick_us - true_us);
    add(&t->bound, (double)row->press.before_us + row->press.after_us);
    /* A tick is the whole microsecond that has passed. */
    if (true_us < tick_us - row->press.before_us || true_us >= tick_us + row->press.after_us + 1) {
        t->out_of_bounds++;
        printf("  press %u of key %u at %.3f us: stamp %.0f - %u + %u us\n", seq, key, true_us, tick_us,
               row->press.before_us, row->press.after_us);
    }
}

static bool one_press(struct bench *b, struct tally *t, uint32_t seq)
{
    size_t rows_before = b->host.rows;
    uint8_t key = (uint8_t)chance_range(&b->chance, 0, 15);
    uint64_t now = chip_cycle(b->chip);
    if (chance_unit(&b->chance) < 0.3) {
        t->trains++;
        now = chatter(b, now + 1000, (uint8_t)chance_range(&b->chance, 0, 15)) + 10 * MS;
    }
    uint64_t down = now + (uint64_t)chance_range(&b->chance, 1000, 20000) * US +
                    (uint64_t)chance_range(&b->chance, 0, 15);
    uint64_t hold = (uint64_t)chance_range(&b->chance, 30000, 120000) * US;
    unsigned greens = b->greens;
    press_key(b, down, key, hold);
    /* Up, its bounce over, the lockout past. */
    bool alive = run_to(b, down + hold + 40 * MS);
    if (b->greens > greens) {
        add(&t->to_green, (double)(b->green_at - down) / (double)MS);
    }
    judge(b, t, seq, key, down, rows_before);
    return alive;
}

bool campaign_presses(const char *image, uint64_t seed, unsigned presses)
{
    static struct bench b;
    struct tally t = {0};
    printf("presses: %u with bounce, seed %" PRIu64 "\n", presses, seed);
    bool alive = begin(&b, image, seed);
    if (b.chip == NULL) {
        return false;
    }
    for (unsigned i = 0; alive && i < presses; i++) {
        alive = one_press(&b, &t, i + 1);
    }
    printf("  %.0f s of emulated time, %u trains of chatter shorter than a press\n",
           (double)chip_cycle(b.chip) / 16e6, t.trains);
    printf("  missed %u, doubled %u, invented %u, wrong key %u, stamps out of their bounds %u\n", t.missed,
           t.doubled, t.invented, t.wrong_key, t.out_of_bounds);
    print("key-down to green", "ms", &t.to_green);
    print("stamp error from the first contact", "us", &t.error);
    print("width of the stamp's bounds", "us", &t.bound);
    printf("  ping stamped %.1f to %.1f us after its last bit, pong %.1f to %.1f us before its first (%u)\n",
           (double)b.host.least_rx_late / US, (double)b.host.most_rx_late / US,
           (double)b.host.least_tx_early / US, (double)b.host.most_tx_early / US, b.host.pongs);
    printf("  stack used %u bytes, %u free below it\n", chip_stack_used(b.chip), chip_stack_free(b.chip));
    bool stamps = b.host.least_tx_early >= 0;
    chip_free(b.chip, b.eeprom);
    host_free(&b.host);
    return alive && stamps && t.missed + t.doubled + t.invented + t.wrong_key + t.out_of_bounds == 0;
}

/* ---- power cuts ---- */

/* The layout of firmware-sim/pad/spill.h, read here by its description and not by the firmware's own code. */
enum { SLOT_AT = 80, SLOT_BYTES = 24, SLOTS = 39 };

static bool slot_waiting(const uint8_t *slot)
{
    uint8_t version = 1;
    uint16_t crc = wire_crc(wire_crc(WIRE_CRC_INIT, &version, 1), slot + 1, SLOT_BYTES - 3);
    return slot[0] != 0 && (slot[SLOT_BYTES - 2] | slot[SLOT_BYTES - 1] << 8) == crc;
}

static uint32_t u32_at(const uint8_t *p)
{
    return (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

/* One press between its contact and its end. */
struct life {
    uint32_t boot, seq;
    uint64_t down;
    bool amber, green;
};

struct cuts {
    unsigned presses, green, green_lost, recorded, recorded_lost, unsafe, unsafe_lost, doubled;
};

/* What the lamp has said so far of the presses of this power-up. */
static void read_lamp(const struct bench *b, struct life *life, unsigned count)
{
    for (unsigned i = 0; i < count; i++) {
        /* Shown amber: the lamp was amber when 12 ms and more had gone by since the contact, bounce and proof included. */
        life[i].amber =
            life[i].amber || (b->amber_at > life[i].down) ||
            (b->colours == (CHIP_RED | CHIP_GREEN) && chip_cycle(b->chip) > life[i].down + 12 * MS);
        life[i].green = life[i].green || (life[i].amber && b->green_at > life[i].down + 3 * MS);
    }
}

static bool live_and_cut(struct bench *b, struct life *life, unsigned count, uint64_t cut)
{
    uint64_t at = chip_cycle(b->chip) + 5 * MS;
    for (unsigned i = 0; i < count; i++) {
        uint64_t hold = (uint64_t)chance_range(&b->chance, 30000, 120000) * US;
        life[i].down = at + (uint64_t)chance_range(&b->chance, 0, 50000) * US;
        life[i].seq = i + 1;
        press_key(b, life[i].down, (uint8_t)chance_range(&b->chance, 0, 15), hold);
        at = life[i].down + hold + (uint64_t)chance_range(&b->chance, 40000, 200000) * US;
    }
    for (uint64_t now = chip_cycle(b->chip); now < cut; now = chip_cycle(b->chip)) {
        if (!run_to(b, now + MS < cut ? now + MS : cut)) {
            return false;
        }
        read_lamp(b, life, count);
    }
    return true;
}

static unsigned on_record(const uint8_t *eeprom, uint32_t (*record)[2])
{
    unsigned count = 0;
    for (unsigned i = 0; i < SLOTS; i++) {
        const uint8_t *slot = eeprom + SLOT_AT + i * SLOT_BYTES;
        if (slot_waiting(slot)) {
            record[count][0] = u32_at(slot + 1);
            record[count++][1] = u32_at(slot + 5);
        }
    }
    return count;
}

static bool recorded(uint32_t (*record)[2], unsigned records, const struct life *life)
{
    for (unsigned i = 0; i < records; i++) {
        if (record[i][0] == life->boot && record[i][1] == life->seq) {
            return true;
        }
    }
    return false;
}

static void judge_cut(struct bench *b, struct cuts *t, const struct life *life, unsigned count, uint64_t cut,
                      uint32_t (*record)[2], unsigned records)
{
    for (unsigned i = 0; i < records; i++) {
        bool stored = host_find(&b->host, record[i][0], record[i][1]) != NULL;
        t->recorded++;
        t->recorded_lost += !stored;
    }
    for (unsigned i = 0; i < count && life[i].down + 15 * MS < cut; i++) {
        const struct host_row *row = host_find(&b->host, life[i].boot, life[i].seq);
        t->presses++;
        t->green += life[i].green;
        t->green_lost += life[i].green && row == NULL;
        t->doubled += row != NULL && row->stored != 1;
        if (!life[i].green && !recorded(record, records, &life[i])) {
            t->unsafe++;
            t->unsafe_lost += row == NULL;
        }
    }
}

/* Power comes back, the host is there: until the pad says that nothing waits. */
static bool deliver_all(struct bench *b)
{
    bool alive = power_up(b, true);
    do {
        alive = alive && run_to(b, chip_cycle(b->chip) + 50 * MS);
    } while (alive && (b->host.pongs == 0 || b->host.waiting > 0) && chip_cycle(b->chip) < 10000 * MS);
    /* Its marks in the memory are written after the last *kept*. */
    alive = alive && run_to(b, chip_cycle(b->chip) + (uint64_t)chance_range(&b->chance, 0, 300) * MS);
    if (b->chip != NULL) {
        chip_free(b->chip, b->eeprom);
    }
    return alive;
}

static bool one_cut(struct bench *b, struct cuts *t)
{
    struct life life[PRESSES_MAX] = {{0}};
    uint32_t record[SLOTS][2];
    unsigned count = (unsigned)chance_range(&b->chance, 1, PRESSES_MAX);
    bool connected = chance_unit(&b->chance) < 0.4;
    uint32_t boot = b->host.hello.boot + 1; /* boots are counted, and the host heard the last one */
    if (!power_up(b, connected) || !run_to(b, 150 * MS)) {
        return false;
    }
    for (unsigned i = 0; i < count; i++) {
        life[i].boot = boot;
    }
    uint64_t cut = chip_cycle(b->chip) + (uint64_t)chance_range(&b->chance, 1000, 2500000) * US;
    if (!live_and_cut(b, life, count, cut)) {
        return false;
    }
    chip_free(b->chip, b->eeprom);
    unsigned records = on_record(b->eeprom, record);
    if (!deliver_all(b)) {
        return false;
    }
    judge_cut(b, t, life, count, cut, record, records);
    return true;
}

bool campaign_cuts(const char *image, uint64_t seed, unsigned cuts)
{
    static struct bench b;
    struct cuts t = {0};
    printf("power cuts: %u at random instants, seed %" PRIu64 "\n", cuts, seed);
    bool alive = begin(&b, image, seed);
    if (b.chip != NULL) {
        chip_free(b.chip, b.eeprom);
    }
    for (unsigned i = 0; alive && i < cuts; i++) {
        alive = one_cut(&b, &t);
    }
    printf("  presses made                                        %6u\n", t.presses);
    printf("  shown green before the cut                          %6u, lost %u\n", t.green, t.green_lost);
    printf("  on record at the cut                                %6u, lost %u\n", t.recorded,
           t.recorded_lost);
    printf("  amber for less than it takes to put them on record  %6u, lost %u\n", t.unsafe, t.unsafe_lost);
    printf("  doubled                                             %6u\n", t.doubled);
    host_free(&b.host);
    return alive && t.green_lost + t.recorded_lost + t.doubled == 0 && t.green > 0 && t.recorded > 0;
}

/* ---- the watchdog ---- */

bool campaign_hang(const char *image, uint64_t seed)
{
    static struct bench b;
    printf("watchdog: seed %" PRIu64 "\n", seed);
    bool alive = begin(&b, image, seed);
    uint32_t boot = b.host.hello.boot;
    b.host.connected = false;
    if (b.chip == NULL) {
        return false;
    }
    press_key(&b, chip_cycle(b.chip) + MS, 6, 60 * MS);
    alive = alive && run_to(&b, chip_cycle(b.chip) + 600 * MS);
    uint64_t hung = chip_cycle(b.chip);
    chip_hang(b.chip);
    b.host.connected = true;
    alive = alive && run_to(&b, hung + 3000 * MS);
    bool restarted = b.host.hello.boot == boot + 1 && (b.host.hello.flags & WIRE_HELLO_WATCHDOG) != 0;
    bool delivered = host_find(&b.host, boot, 1) != NULL && b.host.rows == 1;
    printf("  %s, the press on record %s\n", restarted ? "restarted by the watchdog" : "NOT restarted",
           delivered ? "delivered" : "LOST");
    chip_free(b.chip, b.eeprom);
    host_free(&b.host);
    return alive && restarted && delivered;
}
