/*
 * notify: a word to the service manager over $NOTIFY_SOCKET, as systemd's sd_notify(3) describes the protocol.
 * Without that variable nothing happens.
 */
#ifndef BELLROPE_IO_NOTIFY_H
#define BELLROPE_IO_NOTIFY_H

#include <stdint.h>

/* "READY=1", "STOPPING=1", "WATCHDOG=1". */
void notify_send(const char *state);

/* Half of $WATCHDOG_USEC in milliseconds, the pace at which to send WATCHDOG=1; 0 where none is wanted. */
uint64_t notify_watchdog_ms(void);

#endif
