/*
 * config: the configuration file, read and checked as a whole. docs/configuration.md lists every key.
 *
 * Nothing is opened here but the file itself. Every problem is told with file, line, section, key and the values
 * that are accepted, and reading goes on to find the next. Relative paths are relative to the folder of the
 * configuration file and stand in `struct config` ready to open. A live start and a replay from tape go the same
 * way: config_parse().
 */
#ifndef BELLROPE_IO_CONFIG_H
#define BELLROPE_IO_CONFIG_H

#include "core/engine.h"
#include "io/ini_text.h"

#include <sys/types.h>

enum {
    CONFIG_PATH_SIZE = 1024,
    CONFIG_HOST_SIZE = 128,
    CONFIG_USB_SERIAL_SIZE = 64,
    CONFIG_UNIX_PATH_SIZE = 108
};

enum config_port { CONFIG_PORT_PATH, CONFIG_PORT_USB, CONFIG_PORT_EVDEV };

struct config_pad {
    enum config_port port;
    char path[CONFIG_PATH_SIZE]; /* PATH, EVDEV */
    uint16_t usb_vendor, usb_product;
    char usb_serial[CONFIG_USB_SERIAL_SIZE]; /* "": any */
    uint32_t baud;                           /* 0: not paced (native USB); the port is then set to 115200 */
    char plan[CONFIG_PATH_SIZE];
};

enum config_input { CONFIG_INPUT_UDP, CONFIG_INPUT_TCP, CONFIG_INPUT_SERIAL, CONFIG_INPUT_FILE };

struct config_feed {
    enum config_input input;
    char host
        [CONFIG_HOST_SIZE]; /* UDP: the address to listen on, or a multicast group; TCP: where to connect */
    uint16_t port;
    char
        interface[CONFIG_HOST_SIZE]; /* UDP multicast: the local address to join on; "": the system's choice */
    char path[CONFIG_PATH_SIZE];     /* SERIAL, FILE */
    uint32_t baud;
};

enum config_audio { CONFIG_AUDIO_NONE, CONFIG_AUDIO_EXEC, CONFIG_AUDIO_FIFO };

struct config_socket {
    char unix_path[CONFIG_UNIX_PATH_SIZE]; /* "": none */
    mode_t unix_mode;
    char unix_group[64];             /* "": the daemon's own */
    char tcp_host[CONFIG_HOST_SIZE]; /* "": none */
    uint16_t tcp_port;
    char token_file[CONFIG_PATH_SIZE]; /* "": none */
    uint32_t connections;              /* 0: the socket's default */
};

/* The lines on which keys stand, for what is found wrong later; 0: not given. */
struct config_lines {
    int store_file, store_tape, audio_input, unix_path, tcp, token_file, checklist;
    int pad_port[ENGINE_PADS_MAX], pad_plan[ENGINE_PADS_MAX];
    int feed_input[ENGINE_FEEDS_MAX];
};

struct config {
    char file[CONFIG_PATH_SIZE];   /* as given on the command line */
    char folder[CONFIG_PATH_SIZE]; /* where it lies; "" for the working directory */
    char dive_id[DIVE_ID_SIZE];    /* "": no dive is begun at the start */
    char store_file[CONFIG_PATH_SIZE];
    char tape_file[CONFIG_PATH_SIZE];      /* "": no tape */
    char checklist_file[CONFIG_PATH_SIZE]; /* "": none */
    enum config_audio audio;
    char audio_source[CONFIG_PATH_SIZE]; /* the command (run in `folder`), or the fifo */
    struct config_pad pad[ENGINE_PADS_MAX];
    struct config_feed feed[ENGINE_FEEDS_MAX];
    struct config_socket socket;
    struct config_lines lines;
    struct engine_config engine; /* pad_count and feed_count are here */
};

/* Reads `text` as the contents of `file`. Returns the number of problems, each told to `report`; with 0 `out` is
 * complete. */
int config_parse(struct config *out, const char *file, const char *text, size_t len,
                 const struct ini_text_report *report);

/* Loads `path` and parses it. The text goes to *text for the tape; the caller frees it, also after problems (NULL where the
 * file could not be read). */
int config_load(struct config *out, const char *path, char **text, size_t *len,
                const struct ini_text_report *report);

/*
 * Before anything is run: a configuration with `exec:` in it is refused where anybody but root or the user who runs this
 * may write the file, or put another in its place. 0, or 1 with the reason told. For the daemon; who only reads the
 * configuration runs nothing.
 */
int config_check_exec(const struct config *config, const struct ini_text_report *report);

#endif
