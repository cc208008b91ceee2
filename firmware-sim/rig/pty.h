/*
 * pty: one end of a simulated serial line. The rig holds the master; the daemon opens the other end by the name of a symbolic
 * link, as it would open a device.
 *
 * While nobody has the other end open, bytes towards it are dropped, as an idle USB bridge drops them, instead of waiting in
 * the kernel for whoever comes later.
 */
#ifndef BELLROPE_RIG_PTY_H
#define BELLROPE_RIG_PTY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <uv.h>

typedef void pty_sink(void *ctx, const uint8_t *bytes, size_t len);

struct pty;

/* NULL where memory is short. Nothing is open yet. `link` is the path of the symbolic link. */
struct pty *pty_new(uv_loop_t *loop, const char *link, pty_sink *sink, void *ctx);

/* Opens a new pair and puts the link in place. 0 or a negative errno. */
int pty_plug(struct pty *pty);
/* Closes the master, which hangs up the other end, and takes the link away. */
void pty_pull(struct pty *pty);

/* To be called often: notices when the other end is opened. */
void pty_watch(struct pty *pty);

/* What cannot be taken at once is lost. */
void pty_send(struct pty *pty, const uint8_t *bytes, size_t len);

/* Pulls and frees; the loop must still turn once to let go of the descriptor. */
void pty_close(struct pty *pty);

#endif
