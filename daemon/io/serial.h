/*
 * serial: one open serial port, whatever it is behind.
 *
 * Real ports are opened and set up through libserialport. It knows only what is under /sys/class/tty, which leaves
 * out pseudo-terminals; those take the small termios path here. Either way: 8 data bits, no parity, 1 stop bit, raw,
 * no flow control, non-blocking, not to become the controlling terminal, closed on exec, and held exclusively.
 *
 * Low latency is asked for where the driver knows it (ASYNC_LOW_LATENCY through TIOCSSERIAL); refusal is no error, and told apart from a
 * driver without such a thing.
 */
#ifndef BELLROPE_IO_SERIAL_H
#define BELLROPE_IO_SERIAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

struct serial;

/* What stands in the way, in words, after a failed call; "" after a good one. Never NULL. */
struct serial_error {
    char text[160];
};

/* NULL and `error` where the port cannot be opened or set up. */
struct serial *serial_open(const char *path, uint32_t baud, struct serial_error *error);

/* The same handle around a descriptor that was opened and set up elsewhere and is now the handle's. NULL where memory
 * is short (the descriptor is closed). */
struct serial *serial_adopt(int fd);

void serial_close(struct serial *serial);

/* The descriptor to poll; it stays the port's. */
int serial_fd(const struct serial *serial);

/* Asked of the driver when the port was opened. REFUSED: it has such a mode, and this user may not set it. */
enum serial_latency { SERIAL_LATENCY_UNKNOWN, SERIAL_LATENCY_LOW, SERIAL_LATENCY_REFUSED };
enum serial_latency serial_latency(const struct serial *serial);

/* Bytes read or written, 0 where nothing can be read or taken now, or a negative errno. -EIO stands for every way in
 * which a pulled device shows (a hang-up, a read of 0 with one, EIO, ENXIO, ENODEV, EBADF). */
ssize_t serial_read(struct serial *serial, void *bytes, size_t size);
ssize_t serial_write(struct serial *serial, const void *bytes, size_t len);

/* The device file of the port with these USB ids, into `path`; `usb_serial` "" takes the first. False where none is
 * plugged in. */
bool serial_find_usb(uint16_t vendor, uint16_t product, const char *usb_serial, char *path, size_t size);

#endif
