/*
 * recorder: a video recorder that sends its timecode as LTC audio.
 *
 * The audio is mono at 48 kHz, encoded by libltc word by word from labels that core/timecode gives, so that drop-frame labels
 * are exact; level, noise and drop-outs are laid over it. The recorder has a clock of its own (an error of some ppm), and its
 * samples exist at exact instants of it: sample k at start + k / (48000 (1 + ppm)). Samples are handed out when their instant
 * has passed, never before. Which frame was in force at an instant follows from the same arithmetic and not from the audio.
 */
#ifndef BELLROPE_RIG_RECORDER_H
#define BELLROPE_RIG_RECORDER_H

#include "chance.h"
#include "script.h"

#include <stdbool.h>
#include <stdint.h>

enum { RECORDER_HZ = 48000 };

struct recorder;

/* at_ns: when the last of them had passed, at most the instant run up to. */
typedef void recorder_sink(void *ctx, int64_t at_ns, const int16_t *samples, size_t count);

/* NULL where memory is short. The plan and the sink's context must outlive it. The first sample is at start_ns. */
struct recorder *recorder_new(const struct script_recorder_plan *plan, uint64_t seed, int64_t start_ns,
                              recorder_sink *sink, void *ctx);
void recorder_free(struct recorder *recorder);

/* Makes and hands out every sample up to now_ns, in whole portions of 5 ms. */
void recorder_run(struct recorder *recorder, int64_t now_ns);

/* At the word after next: on to frame `frame`, or by so many frames. */
void recorder_jump(struct recorder *recorder, bool relative, int64_t frame);
/* No signal, noise alone, from now on for so long. */
void recorder_silence(struct recorder *recorder, int64_t now_ns, int64_t span_ns);
void recorder_level(struct recorder *recorder, double db);
/* NaN: none */
void recorder_noise(struct recorder *recorder, double db);

/* The frame in force at an instant up to which the recorder has run, and how far into it that lies,
 * 0 to 1. False before the start. */
bool recorder_frame_at(const struct recorder *recorder, int64_t at_ns, int64_t *frame, double *within);

#endif
