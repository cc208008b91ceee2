/* emulator_run: see emulator_run.h. */
#include "emulator_run.h"

#include "contact.h"
#include "emulator_chip.h"
#include "bellrope/wire.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { US = CHIP_CYCLES_PER_US, SLICE_MS = 1 };

struct run {
    const char *image;
    const char *link;
    const char *eeprom_path;
    struct chance chance;
    uint8_t eeprom[CHIP_EEPROM];
    struct chip *chip;
    unsigned power_ups;
    int64_t zero_ns; /* CLOCK_BOOTTIME at cycle 0: the clock the daemon stamps with */
    int master;
    /* Bytes that have left the chip and are still on the line. */
    uint8_t byte[1024];
    uint64_t byte_at[1024];
    unsigned byte_head, byte_tail;
    char line[256];
    size_t line_length;
    bool quit;
};

static int64_t clock_ns(clockid_t clock)
{
    struct timespec now;
    clock_gettime(clock, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

/* The cycle that is due now. The chip may be behind it, and then catches up: what comes from outside comes at its true instant. */
static uint64_t wall_cycle(const struct run *run)
{
    uint64_t wall = (uint64_t)(clock_ns(CLOCK_BOOTTIME) - run->zero_ns) * US / 1000;
    return wall > chip_cycle(run->chip) ? wall : chip_cycle(run->chip);
}

static int64_t utc_of(const struct run *run, uint64_t cycle)
{
    int64_t ago = clock_ns(CLOCK_BOOTTIME) - (run->zero_ns + (int64_t)(cycle * 1000 / US));
    return clock_ns(CLOCK_REALTIME) - ago;
}

static void on_sent(void *ctx, uint64_t cycle, uint8_t byte)
{
    struct run *run = ctx;
    unsigned after = (run->byte_tail + 1) % (unsigned)(sizeof run->byte);
    if (after != run->byte_head) {
        run->byte[run->byte_tail] = byte;
        run->byte_at[run->byte_tail] = cycle;
        run->byte_tail = after;
    }
}

static void on_lamp(void *ctx, uint64_t cycle, uint8_t colours)
{
    static const char *const name[8] = {"dark", "red", "green", "amber", "blue", "magenta", "cyan", "white"};
    struct run *run = ctx;
    printf("{\"lamp\": \"%s\", \"utc_ns\": %" PRId64 "}\n", name[colours], utc_of(run, cycle));
}

/* ---- power and plug ---- */

static int plug(struct run *run)
{
    struct termios raw;
    run->master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (run->master < 0 || grantpt(run->master) != 0 || unlockpt(run->master) != 0) {
        return -errno;
    }
    if (tcgetattr(run->master, &raw) == 0) {
        cfmakeraw(&raw);
        tcsetattr(run->master, TCSANOW, &raw);
    }
    unlink(run->link);
    return symlink(ptsname(run->master), run->link) == 0 ? 0 : -errno;
}

static bool power(struct run *run)
{
    struct chip_sink sink = {.ctx = run, .sent = on_sent, .lamp = on_lamp};
    if (run->chip != NULL) {
        return true;
    }
    int failed = plug(run);
    if (failed != 0) {
        fprintf(stderr, "%s: %s; give --link a path that can be written\n", run->link, strerror(-failed));
        return false;
    }
    run->chip = chip_new(run->image, run->eeprom, run->chance.state + ++run->power_ups, &sink);
    run->zero_ns = clock_ns(CLOCK_BOOTTIME);
    run->byte_head = run->byte_tail = 0;
    return run->chip != NULL;
}

static void cut(struct run *run)
{
    if (run->chip == NULL) {
        return;
    }
    chip_free(run->chip, run->eeprom);
    run->chip = NULL;
    unlink(run->link);
    close(run->master);
    run->master = -1;
    if (run->eeprom_path != NULL) {
        FILE *file = fopen(run->eeprom_path, "wb");
        if (file == NULL || fwrite(run->eeprom, 1, sizeof run->eeprom, file) != sizeof run->eeprom) {
            fprintf(stderr, "%s: %s\n", run->eeprom_path, strerror(errno));
        }
        if (file != NULL) {
            fclose(file);
        }
    }
}

/* ---- commands ---- */

static void press(struct run *run, const char *name, int64_t hold_ms)
{
    struct contact_press contacts;
    uint8_t key = wire_key_index(name, 4, 4);
    if (run->chip == NULL || key == WIRE_NO_KEY) {
        fprintf(stderr, "press %s: %s\n", name,
                run->chip == NULL ? "the pad has no power" : "keys are A1 to D4");
        return;
    }
    uint64_t down = wall_cycle(run) + (uint64_t)2000 * US;
    contact_make(&contacts, &run->chance, (int64_t)(down * 1000 / US), hold_ms * 1000000, true);
    for (size_t i = 0; i < contacts.count; i++) {
        chip_contact(run->chip, (uint64_t)contacts.edge[i].at_ns * US / 1000, key, contacts.edge[i].closed);
    }
    printf("{\"contact\": \"%s\", \"boottime_ns\": %" PRId64 ", \"utc_ns\": %" PRId64 ", \"boot\": %u}\n",
           name, run->zero_ns + (int64_t)(down * 1000 / US), utc_of(run, down), run->power_ups);
}

static void obey(struct run *run, const char *line)
{
    char name[8];
    int hold_ms = 80;
    if (sscanf(line, "press %7s %d", name, &hold_ms) >= 1) {
        press(run, name, hold_ms);
    } else if (strcmp(line, "cut") == 0) {
        cut(run);
    } else if (strcmp(line, "power") == 0) {
        run->quit = !power(run);
    } else if (strcmp(line, "quit") == 0) {
        run->quit = true;
    } else {
        fprintf(stderr, "'%s' is not known: press KEY [HOLD_MS], cut, power, quit\n", line);
    }
}

static void read_commands(struct run *run)
{
    char text[256];
    ssize_t n = read(STDIN_FILENO, text, sizeof text);
    run->quit = n == 0;
    for (ssize_t i = 0; i < n; i++) {
        if (text[i] == '\n') {
            run->line[run->line_length] = '\0';
            run->line_length = 0;
            obey(run, run->line);
        } else if (run->line_length + 1 < sizeof run->line) {
            run->line[run->line_length++] = text[i];
        }
    }
}

/* ---- time ---- */

/* Whoever is not there hears nothing: while no program has the other end open, bytes are dropped. */
static void write_line(struct run *run)
{
    struct pollfd state = {.fd = run->master, .events = POLLOUT};
    bool open = poll(&state, 1, 0) > 0 && (state.revents & POLLHUP) == 0;
    while (run->byte_head != run->byte_tail && run->byte_at[run->byte_head] <= chip_cycle(run->chip)) {
        if (open && write(run->master, &run->byte[run->byte_head], 1) < 0) {
            open = false;
        }
        run->byte_head = (run->byte_head + 1) % (unsigned)(sizeof run->byte);
    }
}

static void read_line(struct run *run)
{
    uint8_t bytes[512];
    ssize_t n = read(run->master, bytes, sizeof bytes);
    for (ssize_t i = 0; i < n; i++) {
        (void)chip_receive(run->chip, wall_cycle(run), bytes[i]);
    }
}

static bool turn(struct run *run)
{
    struct pollfd in = {.fd = STDIN_FILENO, .events = POLLIN};
    if (poll(&in, 1, SLICE_MS) > 0) {
        read_commands(run);
    }
    if (run->chip == NULL || run->quit) {
        return !run->quit;
    }
    read_line(run);
    if (!chip_run(run->chip, wall_cycle(run))) {
        fprintf(stderr, "the firmware stopped\n");
        return false;
    }
    write_line(run);
    return true;
}

int emulator_run(const char *image, uint64_t seed, const char *link, const char *eeprom)
{
    static struct run run;
    run = (struct run){.image = image, .link = link, .eeprom_path = eeprom, .master = -1};
    run.chance = chance_split(seed, 4);
    memset(run.eeprom, 0xFF, sizeof run.eeprom);
    FILE *file = eeprom != NULL ? fopen(eeprom, "rb") : NULL;
    if (file != NULL) {
        if (fread(run.eeprom, 1, sizeof run.eeprom, file) != sizeof run.eeprom) {
            fprintf(stderr, "%s: shorter than %d bytes; what is missing is taken as erased\n", eeprom,
                    CHIP_EEPROM);
        }
        fclose(file);
    }
    setvbuf(stdout, NULL, _IOLBF, 0);
    bool good = power(&run);
    while (good && turn(&run)) {
    }
    good = good && run.quit;
    cut(&run);
    return good ? 0 : 1;
}
