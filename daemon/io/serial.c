#include "io/serial.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <limits.h>
#include <linux/serial.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

/* What a port is set to where its line does not pace bytes (native USB): any speed does. */
enum { UNPACED_BAUD = 115200 };

struct serial {
    struct sp_port *port; /* NULL: the termios path */
    int fd;
    enum serial_latency latency;
};

/* ---- through libserialport ---- */

static const char *port_error(void)
{
    int code = sp_last_error_code();
    return code != 0 ? strerror(code) : "not a serial port that the library knows";
}

static bool port_set_up(struct sp_port *port, uint32_t baud)
{
    return sp_set_baudrate(port, (int)baud) == SP_OK && sp_set_bits(port, 8) == SP_OK &&
           sp_set_parity(port, SP_PARITY_NONE) == SP_OK && sp_set_stopbits(port, 1) == SP_OK &&
           sp_set_flowcontrol(port, SP_FLOWCONTROL_NONE) == SP_OK;
}

/* Opening a port raises DTR, which resets many boards. Leaving DTR up on close spares them that at the next open. */
static void keep_dtr(int fd)
{
    struct termios mode;
    if (tcgetattr(fd, &mode) != 0)
        return;
    mode.c_cflag &= ~(tcflag_t)HUPCL;
    (void)tcsetattr(fd, TCSANOW, &mode);
}

/* Drivers without the mode have no TIOCGSERIAL (ENOTTY), or take the flag and make nothing of it. */
static enum serial_latency ask_low_latency(int fd)
{
    struct serial_struct settings;
    if (ioctl(fd, TIOCGSERIAL, &settings) != 0)
        return SERIAL_LATENCY_UNKNOWN;
    settings.flags = (int)((unsigned)settings.flags | ASYNC_LOW_LATENCY);
    if (ioctl(fd, TIOCSSERIAL, &settings) == 0)
        return SERIAL_LATENCY_LOW;
    return errno == EPERM || errno == EACCES ? SERIAL_LATENCY_REFUSED : SERIAL_LATENCY_UNKNOWN;
}

static int open_port(struct serial *serial, uint32_t baud, struct serial_error *error)
{
    if (sp_open(serial->port, SP_MODE_READ_WRITE) != SP_OK) {
        snprintf(error->text, sizeof error->text, "%s", port_error());
        return -1;
    }
    if (sp_get_port_handle(serial->port, &serial->fd) != SP_OK ||
        !port_set_up(serial->port, baud == 0 ? UNPACED_BAUD : baud)) {
        snprintf(error->text, sizeof error->text, "cannot be set up: %s", port_error());
        (void)sp_close(serial->port);
        return -1;
    }
    serial->latency = ask_low_latency(serial->fd);
    keep_dtr(serial->fd);
    return 0;
}

/* ---- the termios path, for what is not under /sys/class/tty ---- */

static int set_raw(int fd)
{
    struct termios mode;
    if (tcgetattr(fd, &mode) != 0)
        return -1;
    cfmakeraw(&mode);
    mode.c_cflag |= CLOCAL | CREAD;
    mode.c_cc[VMIN] = 1;
    mode.c_cc[VTIME] = 0;
    return tcsetattr(fd, TCSANOW, &mode);
}

static int open_terminal(struct serial *serial, const char *path, struct serial_error *error)
{
    serial->fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (serial->fd < 0) {
        snprintf(error->text, sizeof error->text, "%s", strerror(errno));
        return -1;
    }
    if (set_raw(serial->fd) != 0) {
        snprintf(error->text, sizeof error->text, "is no serial port: %s", strerror(errno));
        close(serial->fd);
        return -1;
    }
    return 0;
}

/* ---- either ---- */

/* libserialport knows ports by the name of their device, so links (/dev/serial/by-id/...) are followed first. */
static int open_either(struct serial *serial, const char *path, uint32_t baud, struct serial_error *error)
{
    char real[PATH_MAX];
    if (realpath(path, real) == NULL) {
        snprintf(error->text, sizeof error->text, "%s", strerror(errno));
        return -1;
    }
    if (sp_get_port_by_name(real, &serial->port) == SP_OK) {
        if (open_port(serial, baud, error) == 0)
            return 0;
        sp_free_port(serial->port);
        return -1;
    }
    serial->port = NULL;
    return open_terminal(serial, real, error);
}

struct serial *serial_open(const char *path, uint32_t baud, struct serial_error *error)
{
    error->text[0] = '\0';
    struct serial *serial = calloc(1, sizeof *serial);
    if (serial == NULL || open_either(serial, path, baud, error) != 0) {
        if (serial == NULL)
            snprintf(error->text, sizeof error->text, "%s", strerror(ENOMEM));
        free(serial);
        return NULL;
    }
    /* A lock, not TIOCEXCL: a pseudo-terminal keeps that flag after its last close and refuses the next open. */
    if (flock(serial->fd, LOCK_EX | LOCK_NB) != 0) {
        snprintf(error->text, sizeof error->text, "in use by another program");
        serial_close(serial);
        return NULL;
    }
    (void)tcflush(serial->fd, TCOFLUSH);
    return serial;
}

struct serial *serial_adopt(int fd)
{
    struct serial *serial = calloc(1, sizeof *serial);
    if (serial == NULL)
        close(fd);
    else
        serial->fd = fd;
    return serial;
}

void serial_close(struct serial *serial)
{
    if (serial == NULL)
        return;
    if (serial->port != NULL) {
        (void)sp_close(serial->port);
        sp_free_port(serial->port);
    } else {
        close(serial->fd);
    }
    free(serial);
}

int serial_fd(const struct serial *serial)
{
    return serial->fd;
}

enum serial_latency serial_latency(const struct serial *serial)
{
    return serial->latency;
}

/* Reading nothing is no sign in itself: libserialport's mode reads 0 bytes where others say EAGAIN. */
static bool is_hung_up(int fd)
{
    struct pollfd state = {.fd = fd, .events = POLLIN};
    return poll(&state, 1, 0) > 0 && (state.revents & (POLLHUP | POLLERR | POLLNVAL)) != 0;
}

static ssize_t judge(ssize_t done, int code)
{
    if (done >= 0)
        return done;
    if (code == EAGAIN || code == EWOULDBLOCK || code == EINTR)
        return 0;
    return code == ENXIO || code == EBADF || code == ENODEV || code == EPIPE ? -EIO : -code;
}

ssize_t serial_read(struct serial *serial, void *bytes, size_t size)
{
    ssize_t got = serial->port != NULL ? (ssize_t)sp_nonblocking_read(serial->port, bytes, size)
                                       : read(serial->fd, bytes, size);
    ssize_t result = judge(got, errno);
    if (result == 0 && is_hung_up(serial->fd))
        return -EIO;
    return result;
}

ssize_t serial_write(struct serial *serial, const void *bytes, size_t len)
{
    ssize_t put = serial->port != NULL ? (ssize_t)sp_nonblocking_write(serial->port, bytes, len)
                                       : write(serial->fd, bytes, len);
    return judge(put, errno);
}

/* ---- by USB ids ---- */

static bool port_has_ids(const struct sp_port *port, uint16_t vendor, uint16_t product,
                         const char *usb_serial)
{
    int vid = 0, pid = 0;
    if (sp_get_port_transport(port) != SP_TRANSPORT_USB ||
        sp_get_port_usb_vid_pid(port, &vid, &pid) != SP_OK || vid != vendor || pid != product)
        return false;
    const char *have = sp_get_port_usb_serial(port);
    return usb_serial[0] == '\0' || (have != NULL && strcmp(have, usb_serial) == 0);
}

bool serial_find_usb(uint16_t vendor, uint16_t product, const char *usb_serial, char *path, size_t size)
{
    struct sp_port **ports = NULL;
    bool found = false;
    if (sp_list_ports(&ports) != SP_OK)
        return false;
    for (size_t i = 0; ports[i] != NULL && !found; i++) {
        const char *name = sp_get_port_name(ports[i]);
        found = port_has_ids(ports[i], vendor, product, usb_serial) && strlen(name) < size;
        if (found)
            snprintf(path, size, "%s", name);
    }
    sp_free_port_list(ports);
    return found;
}
