/*
 * crc: check sums of 32 bits for files, eight bytes a step. Both are reflected, with initial and final value all ones (parameters as published;
 * check values are the sums of "123456789"). Pure.
 */
#ifndef BELLROPE_CORE_CRC_H
#define BELLROPE_CORE_CRC_H

#include <stddef.h>
#include <stdint.h>

/* All go on from `crc`; begin with 0. */
uint32_t crc_iso_hdlc(uint32_t crc, const void *bytes,
                      size_t len); /* CRC-32, polynomial 04C11DB7; check CBF43926 */
uint32_t crc_castagnoli(uint32_t crc, const void *bytes,
                        size_t len); /* CRC-32C, polynomial 1EDC6F41; check E3069283 */

#endif
