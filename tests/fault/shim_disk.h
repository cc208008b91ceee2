/*
 * shim_disk: a disk that is full, failing or slow, for a daemon that runs as it is. libbellrope_shim.so is loaded with LD_PRELOAD; the file
 * named by BELLROPE_SHIM holds a struct disk_faults, mapped by both sides, so that a test turns faults on and off while the daemon runs.
 */
#ifndef BELLROPE_TESTS_FAULT_SHIM_DISK_H
#define BELLROPE_TESTS_FAULT_SHIM_DISK_H

#include <stdatomic.h>

struct disk_faults {
    atomic_int full;          /* every write that makes a file longer fails: SQLITE_FULL */
    atomic_int read_only;     /* every write, truncation and sync fails, as after a remount */
    atomic_int sync_delay_ms; /* each sync takes so much longer */
    atomic_long calls;   /* opens, deletes, reads, writes, truncations, syncs and questions of size so far */
    atomic_long fail_at; /* this call fails, once; 0: none */
    atomic_long struck;  /* calls that failed or were delayed */
};

#endif
