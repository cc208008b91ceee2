/*
 * crc32c: CRC-32C (Castagnoli; polynomial 1EDC6F41, reflected, initial and final all ones; check value of "123456789":
 * E3069283), from the published parameters. For files, not for the wire.
 */
#ifndef BELLROPE_IO_CRC32C_H
#define BELLROPE_IO_CRC32C_H

#include <stddef.h>
#include <stdint.h>

/* Goes on from `crc`; begin with 0. */
uint32_t crc32c(uint32_t crc, const void *bytes, size_t len);

#endif
