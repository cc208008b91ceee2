/*
 * tape_format: a tape's header and record heads as bytes; shared by tape_writer.c and tape_reader.c. tape.h has the layout.
 */
#ifndef BELLROPE_IO_TAPE_FORMAT_H
#define BELLROPE_IO_TAPE_FORMAT_H

#include "io/tape.h"

enum { TAPE_HEADER_SIZE = 16, TAPE_HEAD_SIZE = 20, TAPE_CRC_SIZE = 4 };

void tape_format_header(uint8_t out[TAPE_HEADER_SIZE]);
/* True, or false with the reason why these bytes begin no tape that can be read here. */
bool tape_format_check_header(const uint8_t *bytes, size_t len, char *error, size_t error_size);

void tape_format_head(const struct tape_record *record, uint8_t out[TAPE_HEAD_SIZE]);
/* False where the bytes are no record's head. Sets all but `bytes` and `offset`. */
bool tape_format_read_head(const uint8_t head[TAPE_HEAD_SIZE], struct tape_record *out);

void tape_format_u32(uint32_t value, uint8_t out[4]);
uint32_t tape_format_read_u32(const uint8_t bytes[4]);

/* The first byte of every record. */
#define TAPE_SYNC_FIRST 0x7a

#endif
