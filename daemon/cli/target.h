/*
 * target: which daemon and which database a verb is about. In this order:
 *
 *   --db FILE        that database; no daemon is asked. --config beside it gives key plans and checklist
 *   --socket PATH    a unix socket, or HOST:PORT
 *   --config FILE    its [socket] and [store]; else $BELLROPE_CONFIG, else ./bellrope.ini, else /etc/bellrope/bellrope.ini
 */
#ifndef BELLROPE_CLI_TARGET_H
#define BELLROPE_CLI_TARGET_H

#include "cli/options.h"
#include "store/query.h"

struct target {
    char socket[256]; /* a path, or HOST:PORT; empty: not known */
    char db[1024];    /* empty: not known */
    char token_file[1024];
    char config
        [1024];   /* the configuration that was read; with --db the one that --config names; empty: none */
    bool db_only; /* --db */
};

/* CLI_DONE, or CLI_FAILED after saying what is missing and what to do. */
int target_find(const struct options *options, struct target *out);

/* Opens the database of the target; to be closed by store_reader_close(). CLI_DONE, or CLI_FAILED after a sentence. */
int target_reader(const struct options *options, struct store_reader **out);

#endif
