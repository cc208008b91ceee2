/* webvtt: markers as captions (W3C WebVTT: The Web Video Text Tracks Format, Candidate Recommendation 4 April 2019). */
#include "export/markercues.h"

static int write_webvtt(struct export_job *job)
{
    return markercues_write(job, CAPTION_WEBVTT);
}

const struct export_format export_webvtt = {
    .name = "webvtt", .summary = "captions beside the video (W3C WebVTT)", .write = write_webvtt};
