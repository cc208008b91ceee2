/* emulator_chip: see emulator_chip.h. */
#include "emulator_chip.h"

#include "chance.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>

enum {
    EDGES_MAX = 4096,
    BYTES_MAX = 4096,
    RUN_AT_MOST = 1600, /* cycles in one go: the schedule is looked at 10,000 times a second at least */
    RAM_START = 0x100,
    RAM_END = 0x8FF,
    /* Data-space addresses, ATmega328P data sheet, register summary */
    REG_EECR = 0x3F,
    REG_EEDR = 0x40,
    WRITE_US = 3400,
    REG_EEARL = 0x41,
    REG_EEARH = 0x42,
    REG_TCCR1B = 0x81,
    REG_TCCR2B = 0xB1,
    BIT_EEPE = 1,
    REG_MCUSR = 0x54,
    BIT_WDRF = 3,
    /* The pins of firmware-sim/avr/avr.h */
    COLUMN_PIN = 4,
    ROWS = 4,
    COLUMNS = 4
};

struct edge {
    uint64_t cycle;
    uint8_t key;
    bool closed;
};

struct chip {
    avr_t *avr;
    avr_irq_t *row_pin[4];
    avr_irq_t *uart_in;
    struct chip_sink sink;
    struct chance chance;
    bool dead;
    uint64_t tick_zero;

    struct edge edge[EDGES_MAX];
    unsigned edges; /* sorted by time, the soonest last */
    bool closed[CHIP_KEYS];
    unsigned rows;      /* levels now on the row pins */
    unsigned ddr, port; /* of port D */

    uint8_t byte[BYTES_MAX];
    uint64_t byte_at[BYTES_MAX];
    unsigned byte_head, byte_tail;
    uint64_t receive_free;
    uint64_t send_free;

    /* One byte of EEPROM being written: simavr has it at once, the part takes its time. */
    uint64_t write_until;
    uint16_t write_address;
    uint8_t write_before, write_after;
    uint8_t memory[CHIP_EEPROM];

    uint8_t colours;
    uint8_t ram_before[RAM_END + 1];
};

/* ---- the matrix: which rows are pulled low by a driven column ---- */

static uint8_t joined_columns(const struct chip *chip, uint8_t columns, uint8_t *rows)
{
    uint8_t reached = 0;
    for (unsigned key = 0; key < CHIP_KEYS; key++) {
        uint8_t row = (uint8_t)(1u << key / COLUMNS), column = (uint8_t)(1u << key % COLUMNS);
        if (chip->closed[key] && ((columns & column) != 0 || (*rows & row) != 0)) {
            *rows |= row;
            reached |= column;
        }
    }
    return columns | reached;
}

static void settle_matrix(struct chip *chip)
{
    /* A driven column is an output at 0. */
    uint8_t columns = (uint8_t)((chip->ddr & ~chip->port) >> COLUMN_PIN & 0x0Fu);
    uint8_t low = 0;
    for (unsigned i = 0; i < CHIP_KEYS; i++) {
        columns = joined_columns(chip, columns, &low);
    }
    for (unsigned r = 0; r < ROWS; r++) {
        unsigned level = ((unsigned)low >> r & 1u) ^ 1u;
        if ((chip->rows >> r & 1u) != level) {
            avr_raise_irq(chip->row_pin[r], level);
        }
    }
    chip->rows = ~(unsigned)low & 0x0Fu;
}

/* Both are told just before the registers change: their values count, not the registers. */
static void on_column_direction(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct chip *chip = param;
    (void)irq;
    chip->ddr = value;
    settle_matrix(chip);
}

static void on_column_port(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct chip *chip = param;
    (void)irq;
    chip->port = value;
    settle_matrix(chip);
}

/* The firmware turned its pull-ups on; whatever the pins were, they are what the matrix makes of them. */
static void on_row_setup(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct chip *chip = param;
    (void)irq;
    (void)value;
    for (unsigned r = 0; r < ROWS; r++) {
        avr_raise_irq(chip->row_pin[r], chip->rows >> r & 1u);
    }
    settle_matrix(chip);
}

/* ---- line and lamps ---- */

static void on_sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct chip *chip = param;
    (void)irq;
    uint64_t begin = chip->avr->cycle > chip->send_free ? chip->avr->cycle : chip->send_free;
    chip->send_free = begin + CHIP_BYTE_CYCLES;
    chip->sink.sent(chip->sink.ctx, chip->send_free, (uint8_t)value);
}

static void on_lamp_port(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct chip *chip = param;
    (void)irq;
    uint8_t colours = (uint8_t)(value & (CHIP_RED | CHIP_GREEN | CHIP_BLUE));
    if (colours != chip->colours) {
        chip->colours = colours;
        chip->sink.lamp(chip->sink.ctx, chip->avr->cycle, colours);
    }
}

static void on_sleep(avr_t *avr, avr_cycle_count_t how_long)
{
    (void)avr;
    (void)how_long; /* time is not waited for, it is skipped */
}

static void on_log(avr_t *avr, const int level, const char *format, va_list list)
{
    (void)avr;
    if (level <= LOG_ERROR) {
        vfprintf(stderr, format, list);
    }
}

/* ---- EEPROM: a write takes 3.4 ms (ATmega328P data sheet), and the bit that says so stays set until then ---- */

static void on_eeprom_control(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct chip *chip = param;
    (void)address;
    if ((value >> BIT_EEPE & 1) == 0) {
        return;
    }
    uint16_t at = (uint16_t)((avr->data[REG_EEARL] | avr->data[REG_EEARH] << 8) & (CHIP_EEPROM - 1));
    if (avr->cycle < chip->write_until) {
        fprintf(stderr, "the firmware writes EEPROM byte %u while byte %u is being written\n", at,
                chip->write_address);
        chip->dead = true;
    }
    chip->write_until = avr->cycle + WRITE_US * CHIP_CYCLES_PER_US;
    chip->write_address = at;
    chip->write_before = chip->memory[at];
    chip->write_after = avr->data[REG_EEDR];
    chip->memory[at] = chip->write_after;
}

static uint8_t on_eeprom_look(avr_t *avr, avr_io_addr_t address, void *param)
{
    const struct chip *chip = param;
    uint8_t value = (uint8_t)(avr->data[address] & ~(1u << BIT_EEPE));
    return avr->cycle < chip->write_until ? (uint8_t)(value | 1u << BIT_EEPE) : value;
}

/* ---- power ---- */

static void connect(struct chip *chip)
{
    avr_t *avr = chip->avr;
    avr_register_io_write(avr, REG_EECR, on_eeprom_control, chip);
    avr_register_io_read(avr, REG_EECR, on_eeprom_look, chip);
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    for (int r = 0; r < ROWS; r++) {
        chip->row_pin[r] = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), r);
    }
    chip->uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, chip);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), IOPORT_IRQ_DIRECTION_ALL),
                            on_column_direction, chip);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), IOPORT_IRQ_REG_PORT),
                            on_column_port, chip);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), IOPORT_IRQ_REG_PORT),
                            on_row_setup, chip);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), IOPORT_IRQ_REG_PORT),
                            on_lamp_port, chip);
}

struct chip *chip_new(const char *image, const uint8_t *eeprom, uint64_t seed, const struct chip_sink *sink)
{
    static elf_firmware_t firmware; /* read once: simavr copies what it needs */
    static char loaded[4096];
    avr_global_logger_set(on_log);
    if (strcmp(loaded, image) != 0) {
        memset(&firmware, 0, sizeof firmware);
        if (elf_read_firmware(image, &firmware) != 0) {
            fprintf(stderr, "%s: not a keypad image that can be read; build it with the target avr-image\n",
                    image);
            return NULL;
        }
        snprintf(loaded, sizeof loaded, "%s", image);
    }
    struct chip *chip = calloc(1, sizeof *chip);
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    if (chip == NULL || avr == NULL) {
        free(chip);
        return NULL;
    }
    chip->avr = avr;
    chip->sink = *sink;
    chip->chance = chance_split(seed, 1);
    chip->rows = 0x0F;
    avr_init(avr);
    avr->log = LOG_ERROR;
    avr->frequency = CHIP_CYCLES_PER_US * 1000000u;
    avr->sleep = on_sleep;
    avr->run_cycle_limit = RUN_AT_MOST;
    firmware.frequency = avr->frequency;
    avr_load_firmware(avr, &firmware);
    for (unsigned i = RAM_START; i <= RAM_END; i++) {
        avr->data[i] = chip->ram_before[i] = (uint8_t)chance_u64(&chip->chance);
    }
    uint8_t copy[CHIP_EEPROM];
    memcpy(copy, eeprom, sizeof copy);
    memcpy(chip->memory, eeprom, sizeof chip->memory);
    avr_eeprom_desc_t memory = {.ee = copy, .offset = 0, .size = sizeof copy};
    avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &memory);
    /* The sounder's pin is also that of an interrupt; simavr would look at it every other cycle while it is low. */
    avr_extint_set_strict_lvl_trig(avr, EXTINT_IRQ_OUT_INT0, 0);
    avr_extint_set_strict_lvl_trig(avr, EXTINT_IRQ_OUT_INT1, 0);
    connect(chip);
    return chip;
}

void chip_eeprom(struct chip *chip, uint8_t *eeprom)
{
    avr_eeprom_desc_t memory = {.ee = eeprom, .offset = 0, .size = CHIP_EEPROM};
    avr_ioctl(chip->avr, AVR_IOCTL_EEPROM_GET, &memory);
}

void chip_free(struct chip *chip, uint8_t *eeprom)
{
    chip_eeprom(chip, eeprom);
    if (chip->avr->cycle < chip->write_until) {
        /* Not yet begun, erased and not written, written after all, or in between. */
        uint8_t torn[4] = {chip->write_before, 0xFF, chip->write_after, (uint8_t)chance_u64(&chip->chance)};
        eeprom[chip->write_address] = torn[chance_range(&chip->chance, 0, 3)];
    }
    avr_terminate(chip->avr);
    free(chip->avr);
    free(chip);
}

/* ---- time ---- */

static uint64_t next_due(const struct chip *chip, uint64_t until)
{
    uint64_t due = until;
    if (chip->edges > 0 && chip->edge[chip->edges - 1].cycle < due) {
        due = chip->edge[chip->edges - 1].cycle;
    }
    if (chip->byte_head != chip->byte_tail && chip->byte_at[chip->byte_head] < due) {
        due = chip->byte_at[chip->byte_head];
    }
    return due;
}

static void serve_schedule(struct chip *chip)
{
    uint64_t now = chip->avr->cycle;
    while (chip->edges > 0 && chip->edge[chip->edges - 1].cycle <= now) {
        const struct edge *edge = &chip->edge[--chip->edges];
        chip->closed[edge->key] = edge->closed;
        settle_matrix(chip);
    }
    while (chip->byte_head != chip->byte_tail && chip->byte_at[chip->byte_head] <= now) {
        uint8_t byte = chip->byte[chip->byte_head];
        chip->byte_head = (chip->byte_head + 1) % BYTES_MAX;
        avr_raise_irq(chip->uart_in, byte);
    }
}

/*
 * Wakes the chip's clock at an instant of the schedule, in the middle of its sleep too. It is asked again a cycle later: a chip whose last
 * instruction before that instant was to sleep would sleep on to a timer of its own, and past what is due meanwhile.
 */
static avr_cycle_count_t on_due(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    serve_schedule(param);
    return avr->cycle + 1;
}

/* After the watchdog's reset simavr has all pins at 0, whatever holds them; they are put back before the firmware looks. */
static void hold_pins(struct chip *chip)
{
    static const int straps[] = {3, 4};
    for (unsigned r = 0; r < ROWS; r++) {
        avr_raise_irq(chip->row_pin[r], (chip->rows >> r & 1u) ^ 1u);
        avr_raise_irq(chip->row_pin[r], chip->rows >> r & 1u);
    }
    for (unsigned i = 0; i < 2; i++) {
        avr_irq_t *pin = avr_io_getirq(chip->avr, AVR_IOCTL_IOPORT_GETIRQ('B'), straps[i]);
        avr_raise_irq(pin, 0);
        avr_raise_irq(pin, 1);
    }
}

bool chip_run(struct chip *chip, uint64_t until_cycle)
{
    avr_t *avr = chip->avr;
    while (!chip->dead && avr->cycle < until_cycle) {
        uint64_t due = next_due(chip, until_cycle);
        avr_cycle_timer_cancel(avr, on_due, chip);
        avr_cycle_timer_register(avr, due > avr->cycle ? due - avr->cycle : 0, on_due, chip);
        while (!chip->dead && avr->cycle < due) {
            int state = avr_run(avr);
            chip->dead = state == cpu_Done || state == cpu_Crashed;
            if ((avr->data[REG_MCUSR] >> BIT_WDRF & 1) != 0) {
                hold_pins(chip);
            }
            if (chip->tick_zero == 0 && (avr->data[REG_TCCR1B] & 7u) != 0) {
                chip->tick_zero = avr->cycle;
            }
        }
        serve_schedule(chip);
    }
    return !chip->dead;
}

uint64_t chip_cycle(const struct chip *chip)
{
    return chip->avr->cycle;
}

uint64_t chip_tick_zero(const struct chip *chip)
{
    return chip->tick_zero;
}

void chip_contact(struct chip *chip, uint64_t cycle, uint8_t key, bool closed)
{
    if (chip->edges == EDGES_MAX) {
        abort();
    }
    unsigned at = chip->edges++;
    for (; at > 0 && chip->edge[at - 1].cycle <= cycle; at--) {
        chip->edge[at] = chip->edge[at - 1];
    }
    chip->edge[at] = (struct edge){.cycle = cycle, .key = key, .closed = closed};
}

uint64_t chip_receive(struct chip *chip, uint64_t cycle, uint8_t byte)
{
    uint64_t begin = cycle > chip->receive_free ? cycle : chip->receive_free;
    unsigned after = (chip->byte_tail + 1) % BYTES_MAX;
    if (after == chip->byte_head) {
        return chip->receive_free;
    }
    chip->byte[chip->byte_tail] = byte;
    chip->byte_at[chip->byte_tail] = begin;
    chip->byte_tail = after;
    chip->receive_free = begin + CHIP_BYTE_CYCLES;
    return chip->receive_free;
}

void chip_hang(struct chip *chip)
{
    avr_t *avr = chip->avr;
    avr->flash[avr->flashend - 1] = 0xFF; /* rjmp to itself, in the last word of the flash */
    avr->flash[avr->flashend] = 0xCF;
    avr->pc = avr->flashend - 1;
    avr->state = cpu_Running;
}

bool chip_sounding(const struct chip *chip)
{
    return chip->avr->data[REG_TCCR2B] != 0;
}

/* RAM came up as noise: the stack reached down to the lowest byte that differs from it, above the static data. */
static unsigned stack_bottom(const struct chip *chip)
{
    unsigned at = RAM_END;
    unsigned same = 0;
    for (; at > RAM_START && same < 24; at--) {
        same = chip->avr->data[at] == chip->ram_before[at] ? same + 1 : 0;
    }
    return at + same;
}

uint16_t chip_stack_used(const struct chip *chip)
{
    return (uint16_t)(RAM_END - stack_bottom(chip));
}

uint16_t chip_stack_free(const struct chip *chip)
{
    unsigned bottom = stack_bottom(chip);
    unsigned at = bottom;
    while (at > RAM_START && chip->avr->data[at] == chip->ram_before[at]) {
        at--;
    }
    return (uint16_t)(bottom - at);
}
