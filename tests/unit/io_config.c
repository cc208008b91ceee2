/* The configuration file: what it makes, and what every kind of mistake is answered with. */
#include "io/config.h"
#include "io/config_value.h"

#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

struct heard {
    int count;
    char text[16][1024];
};

static void hear(void *ctx, const struct ini_problem *problem)
{
    struct heard *heard = ctx;
    if (heard->count < 16)
        ini_problem_text(problem, heard->text[heard->count], sizeof heard->text[0]);
    heard->count++;
}

/* Static: too large for a stack with sanitizers. */
static struct config config;

static int parse(const char *text, struct heard *heard)
{
    *heard = (struct heard){0};
    struct ini_text_report report = {hear, heard};
    int problems = config_parse(&config, "etc/bellrope.ini", text, strlen(text), &report);
    assert_int_equal(problems, heard->count);
    return problems;
}

static void parse_well(const char *text)
{
    struct heard heard;
    if (parse(text, &heard) != 0)
        fail_msg("%s", heard.text[0]);
}

static void test_a_whole_file(void **state)
{
    (void)state;
    parse_well(
        "[dive]\n"
        "id = D007\nvehicle = Heron\nship = Marsh Wren\nsite = Long Bank ; a comment\n"
        "settle_s = 2.5\nidle_close_min = 10\nplanned_bottom_min = 240\nchecklist = names.tsv\n"
        "[store]\nfile = data/d.db\ntape = /var/tape\n"
        "[utc]\nsource = feed:gnss\ndelay_min_ms = 20\ndelay_max_ms = 400\n"
        "[timecode]\nsource = ltc\nrate = 29.97df\ninput = exec:arecord -t raw\nsample_rate = 44100\n"
        "latency_min_ms = 1.5\nlatency_max_ms = 30\n"
        "[pad bridge]\nport = usb:0403:6001:BR12\nplan = keys.ini\nseat = science\n"
        "[pad back]\n\tport = /dev/ttyACM0\n\tplan = /etc/keys.ini\n\tbaud = 0\n"
        "[feed gnss]\ninput = udp:0.0.0.0:6000\nformat = nmea\nas = ship\nlatency_ms = 120\nstale_ms = 4000\n"
        "[feed ctd]\ncolumn.1 = water.pressure_dbar psi\ncolumn.3 = x.light lux\nformat = columns\n"
        "separator = semicolon\ninput = serial:/dev/ttyS1@9600\n"
        "[feed fix]\ninput = tcp:[::1]:7000\nformat = nmea\nas = vehicle\nchecksum = optional\n"
        "[feed old]\ninput = file:log.txt\nformat = nmea\nas = ship\n"
        "[socket]\nunix = bell.sock\nmode = 0640\ngroup = deck\ntcp = 127.0.0.1:4700\ntoken_file = "
        "tokens\nconnections = 64\n");
    assert_string_equal(config.dive_id, "D007");
    assert_string_equal(config.engine.site, "Long Bank");
    assert_int_equal(config.engine.settle_ns, 2500 * NS_PER_MS);
    assert_int_equal(config.engine.idle_close_ns, 600 * NS_PER_S);
    assert_int_equal(config.engine.planned_bottom_ns, 14400 * NS_PER_S);
    assert_non_null(strstr(config.checklist_file, "/names.tsv"));
    assert_string_equal(config.store_file, "etc/data/d.db");
    assert_string_equal(config.tape_file, "/var/tape");
    assert_int_equal(config.engine.utc_feed, 0);
    assert_int_equal(config.engine.utc_delay_min_ns, 20 * NS_PER_MS);
    assert_int_equal(config.engine.utc_delay_max_ns, 400 * NS_PER_MS);
    assert_true(config.engine.timecode_from_ltc);
    assert_int_equal(config.engine.rate, TC_RATE_29_97_DF);
    assert_int_equal(config.audio, CONFIG_AUDIO_EXEC);
    assert_string_equal(config.audio_source, "arecord -t raw");
    assert_int_equal(config.engine.audio_sample_rate_hz, 44100);
    assert_int_equal(config.engine.audio_latency_min_ns, 1500 * NS_PER_US);
    assert_int_equal(config.engine.audio_latency_max_ns, 30 * NS_PER_MS);
    assert_int_equal(config.engine.pad_count, 2);
    assert_int_equal(config.pad[0].port, CONFIG_PORT_USB);
    assert_int_equal(config.pad[0].usb_vendor, 0x0403);
    assert_int_equal(config.pad[0].usb_product, 0x6001);
    assert_string_equal(config.pad[0].usb_serial, "BR12");
    assert_string_equal(config.pad[0].plan, "etc/keys.ini");
    assert_int_equal(config.engine.pad[0].baud, 115200);
    assert_string_equal(config.engine.pad[0].seat, "science");
    assert_string_equal(config.pad[1].path, "/dev/ttyACM0");
    assert_string_equal(config.engine.pad[1].seat, "back");
    assert_int_equal(config.engine.pad[1].baud, 0);
    assert_int_equal(config.engine.feed_count, 4);
    assert_true(config.engine.feed[0].datagrams);
    assert_int_equal(config.engine.feed[0].latency_ns, 120 * NS_PER_MS);
    assert_int_equal(config.engine.feed[0].stale_ns, 4 * NS_PER_S);
    assert_int_equal(config.engine.feed[1].columns.separator, ';');
    assert_int_equal(config.engine.feed[1].columns.count, 2);
    assert_string_equal(config.engine.names.name[0], "x.light");
    assert_int_equal(config.feed[1].input, CONFIG_INPUT_SERIAL);
    assert_string_equal(config.feed[1].path, "/dev/ttyS1");
    assert_int_equal(config.feed[1].baud, 9600);
    assert_string_equal(config.feed[2].host, "::1");
    assert_int_equal(config.feed[2].port, 7000);
    assert_true(config.engine.feed[2].checksum_optional);
    assert_int_equal(config.engine.feed[2].subject, FEED_AS_VEHICLE);
    assert_string_equal(config.feed[3].path, "etc/log.txt");
    assert_string_equal(config.socket.unix_path, "etc/bell.sock");
    assert_int_equal(config.socket.unix_mode, 0640);
    assert_int_equal(config.socket.tcp_port, 4700);
    assert_string_equal(config.socket.token_file, "etc/tokens");
    assert_int_equal(config.socket.connections, 64);
}

static void test_an_empty_file_has_defaults(void **state)
{
    (void)state;
    parse_well("");
    assert_string_equal(config.store_file, "etc/bellrope.db");
    assert_string_equal(config.dive_id, "");
    assert_int_equal(config.engine.pad_count, 0);
    assert_int_equal(config.engine.utc_feed, -1);
    assert_false(config.engine.timecode_from_ltc);
    assert_string_equal(config.socket.unix_path, "");
    assert_string_equal(config.socket.tcp_host, "");
}

#define FEED "[feed f]\ninput = udp:127.0.0.1:6000\nformat = nmea\nas = ship\n"
#define PATHS "a path, relative to this file's folder or absolute"
#define INPUTS "udp:ADDRESS:PORT, tcp:HOST:PORT, serial:PATH@BAUD, file:PATH"
#define PORTS "usb:VID:PID[:SERIAL] with hexadecimal ids, evdev:PATH, PATH"
#define RATES "23.976, 24, 25, 29.97df, 29.97ndf, 30, 50, 59.94df, 59.94ndf, 60"
#define ID "1 to 31 of A-Z a-z 0-9 _ . -, the first a letter or digit"
#define MS "milliseconds from 0 to 10000, such as 2.5"

struct mistake {
    const char *text, *message;
};

static const struct mistake mistakes[] = {
    {"[dive]\nid = D 7\n", ":2: [dive] id: 'D 7' is no dive id; accepted: " ID},
    {"[dive]\nid = -D7\n", ":2: [dive] id: '-D7' is no dive id; accepted: " ID},
    {"[dive]\nid =\n", ":2: [dive] id: '' is no dive id; accepted: " ID},
    {"[dive]\nship = 12345678901234567890123456789012345678901234567890\n",
     ":2: [dive] ship: '12345678901234567890123456789012345678901234567890' is too long; accepted: 1 to 47 "
     "bytes "
     "of text"},
    {"[dive]\nid = A\n\nid = B\n", ":4: [dive] id: given twice; the first is on line 2"},
    {"[dive]\nid = A\n  site = x\n  id = B\n", ":4: [dive] id: given twice; the first is on line 2"},
    {"[dive]\nsettle_s = soon\n",
     ":2: [dive] settle_s: 'soon' is no such time; accepted: seconds from 0.1 to 600"},
    {"[dive]\nidle_close_min = 0\n",
     ":2: [dive] idle_close_min: '0' is no such time; accepted: minutes from 1 to 1440"},
    {"[dive]\nname = D\n",
     ":2: [dive] name: no such key; accepted in [dive]: id, vehicle, ship, site, settle_s, idle_close_min, "
     "planned_bottom_min, checklist"},
    {"[dives]\nid = A\n", ":1: [dives] no such section; accepted: [dive], [store], [utc], [timecode], "
                          "[socket], [pad NAME], [feed NAME]"},
    {"[dive one]\nid = A\n", ":1: [dive one] no such section; accepted: [dive], [store], [utc], [timecode], "
                             "[socket], [pad NAME], [feed NAME]"},
    {"id = A\n", ":1: id: stands before the first section; accepted: keys below a [SECTION]"},
    {"[dive]\nwhat is this\n", ":2: [dive] neither [SECTION] nor KEY = VALUE"},
    {"[dive\n", ":1: a section name is not closed with ']'"},
    {"[dive] id = A\n",
     ":1: [dive] there is something behind the section's ']'; keys begin on a line of their own"},
    {"[dive]\n= A\n", ":2: [dive] a value without a key; accepted: KEY = VALUE"},
    {"[store]\nfile =\n", ":2: [store] file: '' is empty; accepted: " PATHS},
    {"[utc]\n", ":1: [utc] source: missing; accepted: system, feed:NAME"},
    {"[utc]\nsource = gps\n", ":2: [utc] source: 'gps' is no source of UTC; accepted: system, feed:NAME"},
    {"[utc]\nsource = feed:g\n" FEED,
     ":2: [utc] source: there is no [feed g]; accepted: system, feed:NAME of a feed of this file"},
    {"[utc]\nsource = feed:c\n[feed c]\ninput = file:x\nformat = columns\ncolumn.1 = vehicle.depth_m\n",
     ":2: [utc] source: [feed c] carries no time; accepted: a feed with format = nmea"},
    {"[utc]\nsource = system\ndelay_min_ms = 2000\n",
     ":3: [utc] delay_min_ms: 2000.0 is more than delay_max_ms, 1000.0; accepted: at most that"},
    {"[timecode]\nrate = 25\n", ":1: [timecode] source: missing; accepted: time-of-day, ltc"},
    {"[timecode]\nsource = tape\n",
     ":2: [timecode] source: 'tape' is no source of timecode; accepted: time-of-day, ltc"},
    {"[timecode]\nsource = time-of-day\nrate = 29.97\n",
     ":3: [timecode] rate: '29.97' does not say whether it drops frames; accepted: " RATES},
    {"[timecode]\nsource = time-of-day\nrate = 26\n",
     ":3: [timecode] rate: '26' is no rate; accepted: " RATES},
    {"[timecode]\nsource = ltc\ninput = fifo:x\n", ":1: [timecode] rate: missing; accepted: " RATES},
    {"[timecode]\nsource = ltc\nrate = 25\n",
     ":1: [timecode] input: missing; accepted: exec:COMMAND, fifo:PATH"},
    {"[timecode]\nsource = ltc\nrate = 25\ninput = hw:1\n",
     ":4: [timecode] input: 'hw:1' is no input; accepted: exec:COMMAND, fifo:PATH"},
    {"[timecode]\nsource = ltc\nrate = 25\ninput = exec:\n",
     ":4: [timecode] input: 'exec:' is empty; accepted: exec:COMMAND, fifo:PATH"},
    {"[timecode]\nsource = time-of-day\ninput = fifo:x\n",
     ":3: [timecode] input: has no meaning here; accepted: only with source = ltc"},
    {"[timecode]\nsource = time-of-day\nsample_rate = 48k\n",
     ":3: [timecode] sample_rate: '48k' is no such rate; accepted: samples a second from 8000 to 192000"},
    {"[timecode]\nsource = time-of-day\nlatency_min_ms = -1\n",
     ":3: [timecode] latency_min_ms: '-1' is no such time; accepted: " MS},
    {"[timecode]\nsource = time-of-day\nlatency_max_ms = 5\nlatency_min_ms = 9\n",
     ":4: [timecode] latency_min_ms: 9.0 is more than latency_max_ms, 5.0; accepted: at most that"},
    {"[pad]\nport = x\nplan = y\n",
     ":1: [pad] '' is no name; accepted: [pad NAME] with 1 to 23 of A-Z a-z 0-9 _ . -"},
    {"[pad a b]\nport = x\nplan = y\n",
     ":1: [pad a b] 'a b' is no name; accepted: [pad NAME] with 1 to 23 of A-Z a-z 0-9 _ . -"},
    {"[pad a]\nplan = y\n", ":1: [pad a] port: missing; accepted: " PORTS},
    {"[pad a]\nport = x\n", ":1: [pad a] plan: missing; accepted: " PATHS},
    {"[pad a]\nport = usb:403\nplan = y\n",
     ":2: [pad a] port: 'usb:403' does not name USB ids; accepted: " PORTS},
    {"[pad a]\nport = usb:0403:60011\nplan = y\n",
     ":2: [pad a] port: 'usb:0403:60011' does not name USB ids; accepted: " PORTS},
    {"[pad a]\nport = x\nplan = y\nbaud = 300\n", ":4: [pad a] baud: '300' is no speed of a pad; accepted: "
                                                  "1200 to 4000000, or 0 for native USB, which paces "
                                                  "nothing"},
    {"[pad a]\nport = x\nplan = y\nseat = the bridge\n",
     ":4: [pad a] seat: 'the bridge' is no seat's name; accepted: 1 to 15 of A-Z a-z 0-9 _ . -, the first a "
     "letter "
     "or digit"},
    {"[pad a-name-that-is-no-seat]\nport = x\nplan = y\n",
     ":1: [pad a-name-that-is-no-seat] seat: missing; accepted: 1 to 15 of A-Z a-z 0-9 _ . -, the first a "
     "letter or "
     "digit"},
    {"[pad a]\nport = x\nplan = y\n[pad b]\nport = x\nplan = y\n",
     ":5: [pad b] port: the same as of [pad a]; accepted: a port of its own (two alike: add the USB serial)"},
    {"[pad a]\nport = x\nplan = y\nspeed = 9\n",
     ":4: [pad a] speed: no such key; accepted in [pad NAME]: port, baud, plan, seat"},
    {"[feed f]\nformat = nmea\nas = ship\n", ":1: [feed f] input: missing; accepted: " INPUTS},
    {"[feed f]\ninput = file:x\n", ":1: [feed f] format: missing; accepted: nmea, columns"},
    {"[feed f]\ninput = file:x\nformat = nmea\n", ":1: [feed f] as: missing; accepted: ship, vehicle"},
    {"[feed f]\ninput = http:x\nformat = nmea\nas = ship\n",
     ":2: [feed f] input: 'http:x' is no input; accepted: " INPUTS},
    {"[feed f]\ninput = udp:6000\nformat = nmea\nas = ship\n",
     ":2: [feed f] input: 'udp:6000' does not say HOST:PORT; accepted: " INPUTS},
    {"[feed f]\ninput = udp:1.2.3.4:66000\nformat = nmea\nas = ship\n",
     ":2: [feed f] input: 'udp:1.2.3.4:66000' does not say HOST:PORT; accepted: " INPUTS},
    {"[feed f]\ninput = udp:1.2.3.4:0\nformat = nmea\nas = ship\n",
     ":2: [feed f] input: 'udp:1.2.3.4:0' does not say HOST:PORT; accepted: " INPUTS},
    {"[feed f]\ninput = udp:sounder:6000\nformat = nmea\nas = ship\n",
     ":2: [feed f] input: 'udp:sounder:6000' names no numeric address to listen on; accepted: " INPUTS},
    {"[feed f]\ninput = tcp:::1:6000\nformat = nmea\nas = ship\n",
     ":2: [feed f] input: 'tcp:::1:6000' does not say HOST:PORT; accepted: " INPUTS},
    {"[feed f]\ninput = serial:/dev/ttyS0\nformat = nmea\nas = ship\n",
     ":2: [feed f] input: 'serial:/dev/ttyS0' does not say PATH@BAUD; accepted: " INPUTS},
    {"[feed f]\ninput = serial:/dev/ttyS0@fast\nformat = nmea\nas = ship\n",
     ":2: [feed f] input: 'serial:/dev/ttyS0@fast' does not say PATH@BAUD; accepted: " INPUTS},
    {"[feed f]\ninput = file:x\nformat = csv\nas = ship\n",
     ":3: [feed f] format: 'csv' is no format; accepted: nmea, columns"},
    {"[feed f]\ninput = file:x\nformat = nmea\nas = boat\n",
     ":4: [feed f] as: 'boat' is neither; accepted: ship, vehicle"},
    {FEED "stale_ms = 0\n",
     ":5: [feed f] stale_ms: '0' is no such time; accepted: milliseconds from 1 to 3600000"},
    {FEED "latency_ms = 1e3\n",
     ":5: [feed f] latency_ms: '1e3' is no such time; accepted: milliseconds from 0 to 600000"},
    {FEED "checksum = no\n", ":5: [feed f] checksum: 'no' is neither; accepted: required, optional"},
    {FEED "separator = comma\n",
     ":5: [feed f] separator: has no meaning here; accepted: only with format = columns"},
    {FEED "column.1 = vehicle.depth_m\n",
     ":1: [feed f] column.N: has no meaning here; accepted: only with format = columns"},
    {"[feed f]\ninput = tcp:h:1\nformat = nmea\nas = ship\ninterface = 1.2.3.4\n",
     ":5: [feed f] interface: has no meaning here; accepted: only with input = udp:GROUP:PORT"},
    {FEED "interface = eth0\n", ":5: [feed f] interface: 'eth0' is no numeric address; accepted: the numeric "
                                "address of a network interface here"},
    {FEED "rate = 2\n", ":5: [feed f] rate: no such key; accepted in [feed NAME]: input, interface, format, "
                        "as, latency_ms, stale_ms, "
                        "checksum, separator, prefix, column.N"},
    {"[socket]\nconnections = 0\n",
     ":2: [socket] connections: '0' is no whole number from 1 to 10000; accepted: 1 to 10000"},
    {"[socket]\nmode = rw\n",
     ":2: [socket] mode: 'rw' is no mode of a file; accepted: three or four octal digits, such as 0660"},
    {"[socket]\ntcp = 4700\n", ":2: [socket] tcp: '4700' does not say HOST:PORT; accepted: ADDRESS:PORT, "
                               "such as 127.0.0.1:4700 or [::1]:4700; "
                               "port 0 takes a free one"},
    {"[socket]\ntcp = example:4700\n", ":2: [socket] tcp: 'example:4700' names no numeric address to listen "
                                       "on; accepted: ADDRESS:PORT, such as "
                                       "127.0.0.1:4700 or [::1]:4700; port 0 takes a free one"},
    {"[socket]\ntcp = 0.0.0.0:4700\n",
     ":2: [socket] tcp: '0.0.0.0' can be reached from other machines and there is no token_file; accepted: "
     "127.0.0.1:PORT, or a token_file"},
};

static void test_every_mistake_is_named(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof mistakes / sizeof mistakes[0]; i++) {
        char expected[1024];
        struct heard heard;
        snprintf(expected, sizeof expected, "etc/bellrope.ini%s", mistakes[i].message);
        if (parse(mistakes[i].text, &heard) != 1)
            fail_msg("%d problems in:\n%s%s\n%s", heard.count, mistakes[i].text, heard.text[0],
                     heard.text[1]);
        assert_string_equal(heard.text[0], expected);
    }
}

/* What the column layout's own setters say passes through, at the line of the key. */
static void test_columns_are_named(void **state)
{
    (void)state;
    static const struct mistake columns[] = {
        {"[feed f]\ninput = file:x\nformat = columns\ncolumn.1 = depth\n",
         "etc/bellrope.ini:4: [feed f] column.1: "},
        {"[feed f]\ninput = file:x\ncolumn.0 = vehicle.depth_m\nformat = columns\n",
         "etc/bellrope.ini:3: [feed f] column.0: "},
        {"[feed f]\ninput = file:x\nformat = columns\nseparator = pipes\ncolumn.1 = vehicle.depth_m\n",
         "etc/bellrope.ini:4: [feed f] separator: "},
        {"[feed f]\ninput = file:x\nformat = columns\n", "etc/bellrope.ini:1: [feed f] column.N: "},
    };
    for (size_t i = 0; i < sizeof columns / sizeof columns[0]; i++) {
        struct heard heard;
        if (parse(columns[i].text, &heard) != 1)
            fail_msg("%d problems in:\n%s%s\n%s", heard.count, columns[i].text, heard.text[0], heard.text[1]);
        assert_memory_equal(heard.text[0], columns[i].message, strlen(columns[i].message));
    }
}

static void test_all_mistakes_are_told_at_once(void **state)
{
    (void)state;
    struct heard heard;
    assert_int_equal(parse("[dive]\nid = ?\nnonsense\n[pad a]\nport =\n[feed f]\nas = x\n", &heard), 7);
}

static void test_too_many(void **state)
{
    (void)state;
    char text[8192] = "";
    struct heard heard;
    for (int i = 0; i <= ENGINE_PADS_MAX; i++)
        snprintf(text + strlen(text), sizeof text - strlen(text), "[pad p%d]\nport = t%d\nplan = y\n", i, i);
    assert_int_equal(parse(text, &heard), 1);
    assert_string_equal(heard.text[0], "etc/bellrope.ini:25: [pad p8] one pad too many; accepted: at most 8");
    text[0] = '\0';
    for (int i = 0; i <= ENGINE_FEEDS_MAX; i++)
        snprintf(text + strlen(text), sizeof text - strlen(text),
                 "[feed f%d]\ninput = file:x\nformat = nmea\nas = ship\n", i);
    assert_int_equal(parse(text, &heard), 1);
    assert_string_equal(heard.text[0],
                        "etc/bellrope.ini:65: [feed f16] one feed too many; accepted: at most 16");
}

static void test_lines_that_are_none(void **state)
{
    (void)state;
    char text[600] = "[dive]\nsite = ";
    struct heard heard;
    memset(text + strlen(text), 'x', 300);
    strcat(text, "\nship = Wren\n");
    assert_int_equal(parse(text, &heard), 1);
    assert_string_equal(
        heard.text[0],
        "etc/bellrope.ini:2: [dive] the line is longer than 197 bytes; accepted: shorter lines");
    assert_string_equal(config.engine.ship, "Wren");

    heard = (struct heard){0};
    struct ini_text_report report = {hear, &heard};
    static const char binary[] = "[dive]\nid = A\0B\nship = Wren";
    assert_int_equal(config_parse(&config, "f", binary, sizeof binary - 1, &report), 1);
    assert_string_equal(heard.text[0], "f:2: [dive] a NUL byte: this is no text file");
    assert_string_equal(config.engine.ship, "Wren");
    assert_string_equal(config.folder, "");
    assert_string_equal(config.store_file, "bellrope.db");
}

static void test_line_ends_and_marks(void **state)
{
    (void)state;
    parse_well("\xef\xbb\xbf[dive]\r\n# comment\r\n; another\r\n\r\nid = A\r\nsite : colon\r\n");
    assert_string_equal(config.dive_id, "A");
    assert_string_equal(config.engine.site, "colon");
    parse_well("[socket]\ntcp = [::1]:0\n[dive]\nid = A");
    assert_string_equal(config.dive_id, "A");
}

/* ---- files ---- */

static char folder[64];

static void write_file(const char *name, const char *text, mode_t mode, char *path, size_t size)
{
    snprintf(path, size, "%s/%s", folder, name);
    (void)unlink(path);
    int fd = open(path, O_WRONLY | O_CREAT | O_EXCL, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), (ssize_t)strlen(text));
    assert_int_equal(fchmod(fd, mode), 0);
    close(fd);
}

static int load(const char *path, struct heard *heard)
{
    char *text = NULL;
    size_t len = 0;
    *heard = (struct heard){0};
    struct ini_text_report report = {hear, heard};
    int problems = config_load(&config, path, &text, &len, &report);
    free(text);
    return problems + config_check_exec(&config, &report);
}

static int make_folder(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/bellrope-io-config-XXXXXX");
    return mkdtemp(folder) == NULL ? -1 : 0;
}

static int remove_folder(void **state)
{
    (void)state;
    char path[128];
    snprintf(path, sizeof path, "%s/a.ini", folder);
    (void)unlink(path);
    return rmdir(folder);
}

#define EXEC_TEXT "[timecode]\nsource = ltc\nrate = 25\ninput = exec:true\n"

static void test_exec_from_a_file_of_others(void **state)
{
    (void)state;
    char path[128], expected[768];
    struct heard heard;
    write_file("a.ini", EXEC_TEXT, 0640, path, sizeof path);
    assert_int_equal(load(path, &heard), 0);

    static const mode_t open_modes[] = {0660, 0646};
    for (size_t i = 0; i < 2; i++) {
        assert_int_equal(chmod(path, open_modes[i]), 0);
        assert_int_equal(load(path, &heard), 1);
        snprintf(expected, sizeof expected,
                 "%s:4: [timecode] input: exec: is refused because this file may be written by others; "
                 "accepted: a "
                 "file of root's or the daemon's user that nobody else may write (chmod go-w %s)",
                 path, path);
        assert_string_equal(heard.text[0], expected);
    }

    assert_int_equal(chmod(path, 0640), 0);
    assert_int_equal(chmod(folder, 0777), 0);
    assert_int_equal(load(path, &heard), 1);
    snprintf(
        expected, sizeof expected,
        "%s:4: [timecode] input: exec: is refused because the folder of this file may be written by others; "
        "accepted: a folder in which nobody else may put another file in its place (chmod go-w %s)",
        path, folder);
    assert_string_equal(heard.text[0], expected);
    assert_int_equal(chmod(folder, 0700), 0);

    /* Nothing is executed: who may write it does not matter. */
    write_file("a.ini", "[dive]\nid = A\n", 0666, path, sizeof path);
    assert_int_equal(load(path, &heard), 0);
}

static void test_a_file_that_cannot_be_read(void **state)
{
    (void)state;
    struct heard heard;
    char path[128], expected[256];
    snprintf(path, sizeof path, "%s/none.ini", folder);
    assert_int_equal(load(path, &heard), 1);
    snprintf(expected, sizeof expected,
             "%s: cannot be read: No such file or directory; accepted: a configuration file of at most "
             "262144 bytes",
             path);
    assert_string_equal(heard.text[0], expected);
    assert_int_equal(load(folder, &heard), 1);
    assert_int_equal(load("/dev/zero", &heard), 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_whole_file),
        cmocka_unit_test(test_an_empty_file_has_defaults),
        cmocka_unit_test(test_every_mistake_is_named),
        cmocka_unit_test(test_columns_are_named),
        cmocka_unit_test(test_all_mistakes_are_told_at_once),
        cmocka_unit_test(test_too_many),
        cmocka_unit_test(test_lines_that_are_none),
        cmocka_unit_test(test_line_ends_and_marks),
        cmocka_unit_test_setup_teardown(test_exec_from_a_file_of_others, make_folder, remove_folder),
        cmocka_unit_test_setup_teardown(test_a_file_that_cannot_be_read, make_folder, remove_folder),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
