/* emulator: the keypad's machine code, executed. See the usage text below. */
#include "emulator_campaign.h"
#include "emulator_run.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char usage[] =
    "usage: bellrope-emulator presses IMAGE [--count N] [--seed N]\n"
    "       bellrope-emulator cuts IMAGE [--count N] [--seed N]\n"
    "       bellrope-emulator hang IMAGE [--seed N]\n"
    "       bellrope-emulator run IMAGE --link PATH [--eeprom FILE] [--seed N]\n"
    "\n"
    "Executes the keypad image (bellrope-pad.elf) on an emulated ATmega328P.\n"
    "\n"
    "presses  presses with bouncing contacts against a host that keeps; none may be missed or doubled\n"
    "cuts     power fails at random instants; nothing shown green or put on record may be lost\n"
    "hang     the firmware loses its way; the watchdog must restart it and a press on record must survive\n"
    "run      in real time behind a pseudo-terminal; commands on stdin: press KEY [HOLD_MS], cut, power, "
    "quit\n"
    "\n"
    "Exit status: 0 as it should be, 1 not, 2 usage.\n";

#ifdef __SANITIZE_ADDRESS__
/* simavr does not give back all of its own memory at the end. */
const char *__asan_default_options(void);
const char *__asan_default_options(void)
{
    return "detect_leaks=0";
}
#endif

struct options {
    unsigned count;
    uint64_t seed;
    const char *link;
    const char *eeprom;
};

static bool parse(struct options *options, int argc, char **argv)
{
    for (int i = 3; i + 1 < argc; i += 2) {
        char *end = NULL;
        unsigned long long number = strtoull(argv[i + 1], &end, 0);
        bool is_number = end != argv[i + 1] && *end == '\0';
        if (strcmp(argv[i], "--count") == 0 && is_number && number > 0 && number <= 10000000) {
            options->count = (unsigned)number;
        } else if (strcmp(argv[i], "--seed") == 0 && is_number) {
            options->seed = number;
        } else if (strcmp(argv[i], "--link") == 0) {
            options->link = argv[i + 1];
        } else if (strcmp(argv[i], "--eeprom") == 0) {
            options->eeprom = argv[i + 1];
        } else {
            fprintf(stderr, "%s %s: not understood\n", argv[i], argv[i + 1]);
            return false;
        }
    }
    return argc % 2 == 1;
}

#ifdef __SANITIZE_ADDRESS__
/* libsimavr keeps what it took for a chip when the chip is taken down; what is ours is still watched. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:libsimavr\n";
}
#endif

int main(int argc, char **argv)
{
    struct options options = {.count = 200, .seed = 20310304};
    if (argc == 2 && strcmp(argv[1], "--help") == 0) {
        fputs(usage, stdout);
        return 0;
    }
    if (argc >= 3 && parse(&options, argc, argv)) {
        if (strcmp(argv[1], "presses") == 0) {
            return campaign_presses(argv[2], options.seed, options.count) ? 0 : 1;
        }
        if (strcmp(argv[1], "cuts") == 0) {
            return campaign_cuts(argv[2], options.seed, options.count) ? 0 : 1;
        }
        if (strcmp(argv[1], "hang") == 0) {
            return campaign_hang(argv[2], options.seed) ? 0 : 1;
        }
        if (strcmp(argv[1], "run") == 0 && options.link != NULL) {
            return emulator_run(argv[2], options.seed, options.link, options.eeprom);
        }
    }
    fputs(usage, stderr);
    return 2;
}
