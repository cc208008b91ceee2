/*
 * checklist_file: the user's checklist of names (core/checklist) as a file, and what it says to a name that somebody gives.
 *
 * A command `identify` gets these fields more, before it enters the engine and the tape:
 *
 *   listed       1: the name is on the list, 0: it is not
 *   listed_name, listed_rank, listed_id   as the list writes them; only where listed is 1 and the list has them
 *   advice       for the person: names nearby where it is not listed, the accepted name of a synonym
 */
#ifndef BELLROPE_IO_CHECKLIST_FILE_H
#define BELLROPE_IO_CHECKLIST_FILE_H

#include <stddef.h>
#include <stdint.h>

struct checklist_file;

/* NULL with a sentence in `why`: "FILE cannot be read: ...". */
struct checklist_file *checklist_file_load(const char *path, char *why, size_t why_size);
void checklist_file_free(struct checklist_file *file);

/* Names on it, and lines that were passed over. */
uint32_t checklist_file_names(const struct checklist_file *file);
uint32_t checklist_file_skipped(const struct checklist_file *file);

/* Adds the fields to an `identify` record in place; `room` is that of `record`. Returns the new length. Other records stay as they are. */
size_t checklist_file_fill(const struct checklist_file *file, char *record, size_t len, size_t room);

#endif
