/*
 * config_value: single values of the configuration file, read strictly: the whole text or nothing.
 * All return false and leave their output as it was where the text is not of that form.
 */
#ifndef BELLROPE_IO_CONFIG_VALUE_H
#define BELLROPE_IO_CONFIG_VALUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* 1 to size - 1 bytes of [A-Za-z0-9_.-], the first a letter or digit. */
bool config_value_name(const char *text, char *out, size_t size);

/* A decimal whole number in [least, most]. */
bool config_value_whole(const char *text, int64_t least, int64_t most, int64_t *out);

/* A plain decimal number ("2.5") times `unit_ns`, in [least, most] units, as nanoseconds. */
bool config_value_ns(const char *text, double least, double most, int64_t unit_ns, int64_t *out);

/* HOST:PORT, or [HOST]:PORT where the host has colons of its own. */
bool config_value_host_port(const char *text, int64_t least_port, char *host, size_t host_size,
                            uint16_t *port);

/* Up to four hexadecimal digits ended by `end` (or by NUL); *rest is what follows. */
bool config_value_hex16(const char *text, char end, uint16_t *out, const char **rest);

/* A path made absolute or relative to the working directory: `folder` "" leaves it as it is. */
bool config_value_path(const char *text, const char *folder, char *out, size_t size);

/* Whether a numeric address (or "localhost") is this machine talking to itself. */
bool config_value_is_loopback(const char *host);

#endif
