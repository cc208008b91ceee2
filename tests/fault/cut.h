/*
 * cut: what a power cut leaves of a file.
 *
 * The model. A disk has sectors of 512 bytes. What was written before the last xSync of a file is on it. What was written since is, at the cut,
 *
 *   CUT_DROP     all taken back: each sector, and the file's length, is what it was at the last xSync
 *   CUT_RANDOM   for each sector by itself: kept, taken back, or spoilt; a file that had grown keeps any part of its growth
 *
 * and the -shm file is gone. Where the device claims nothing, a spoilt sector is noise from end to end. Where it claims SQLITE_IOCAP_POWERSAFE_
 * OVERWRITE, as SQLite's unix VFS does on Linux, only the bytes that were being written are. A deleted file is gone at once and a new one is there at
 * once: the loss of directory entries is not modelled.
 *
 * Nothing is really synced, which makes this fast: the process is killed, the kernel is not.
 */
#ifndef BELLROPE_TESTS_FAULT_CUT_H
#define BELLROPE_TESTS_FAULT_CUT_H

#include "shim.h"

#include <stdint.h>

enum cut_mode { CUT_DROP, CUT_RANDOM };

struct cut_plan {
    enum cut_mode mode;
    long
        at; /* the power goes at this call; 0: never. In CUT_RANDOM a write has then begun, in CUT_DROP it has not */
    uint64_t seed;
};

enum { CUT_EXIT = 42 };

/* Installs the shim in this process. */
int cut_install(const struct cut_plan *plan, int characteristics);

/* Calls that change a disk so far: open, close, delete, write, truncate, sync. */
long cut_calls(void);

/* Cuts the power now; does not return. Callable from any thread. */
void cut_now(void);

#endif
