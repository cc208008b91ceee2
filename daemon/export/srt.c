/* srt: markers as captions in the older form that more players read; common practice, no published standard. */
#include "export/markercues.h"

static int write_srt(struct export_job *job)
{
    return markercues_write(job, CAPTION_SRT);
}

const struct export_format export_srt = {
    .name = "srt", .summary = "captions beside the video (SRT)", .write = write_srt};
