#include "export/clips_page.h"

#include "export/html.h"

#include <string.h>

/* Contrasts as in the dive report: letters at least 4.5 to 1 in both themes (WCAG 2.1, 1.4.3). */
static const char STYLE[] =
    ":root{color-scheme:light "
    "dark;--paper:#fcfbf8;--ink:#1b2328;--soft:#55616a;--rule:#d8d6ce;--deep:#17597a}\n"
    "@media (prefers-color-scheme:dark){:root{--paper:#12171b;--ink:#e6e8e4;--soft:#a5b0b6;--rule:#343d43;"
    "--deep:#7fc1e0}}\n"
    "*{box-sizing:border-box}body{margin:0 auto;padding:2.5rem 1.25rem "
    "4rem;max-width:62rem;background:var(--paper);"
    "color:var(--ink);font:1rem/1.5 system-ui,-apple-system,'Segoe UI','Liberation Sans','DejaVu "
    "Sans',sans-serif;"
    "overflow-wrap:anywhere}\n"
    "h1,h2,h3{font-family:Charter,'Bitstream Charter',Georgia,'Liberation Serif','DejaVu Serif',serif;"
    "font-weight:600;line-height:1.2}h1{font-size:2.1rem;margin:0 0 .4rem}h2{font-size:1.45rem;margin:3rem 0 "
    ".8rem;"
    "padding-top:.8rem;border-top:2px solid var(--ink)}h3{font-size:1.08rem;margin:0 0 .2rem}\n"
    "p{margin:.2rem "
    "0}a{color:var(--deep);text-underline-offset:.15em}.soft{color:var(--soft);font-size:.9rem}"
    ":focus-visible{outline:3px solid var(--deep);outline-offset:2px}\n"
    "ul.clips,ul.stills{list-style:none;margin:0;padding:0;display:grid;gap:1.6rem 1.4rem}"
    "ul.clips{grid-template-columns:repeat(auto-fill,minmax(min(26rem,100%),1fr))}"
    "ul.stills{grid-template-columns:repeat(auto-fill,minmax(13rem,1fr))}"
    "ul.clips>li{display:grid;grid-template-columns:10rem 1fr;gap:0 1rem;align-items:start}\n"
    "img{display:block;width:100%;height:auto;border:1px solid var(--rule)}.none{border:1px dashed "
    "var(--rule);"
    "padding:1.6rem .5rem;text-align:center}"
    "ul.plain{padding-left:1.2rem}.links a{margin-right:1em}.tc{font-variant-numeric:tabular-nums}\n"
    "@media (max-width:32rem){ul.clips>li{grid-template-columns:1fr}}\n"
    "@media print{body{max-width:none;padding:0;font-size:9.5pt}li{break-inside:avoid}a{color:inherit}}\n";

static const char *text_of(const json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));
    return text != NULL ? text : "";
}

static long long int_of(const json_t *object, const char *name)
{
    return (long long)json_integer_value(json_object_get(object, name));
}

/* Names of files are made of letters, digits, '.', '_' and '-' alone, so that they need no escape in a link. */
static void put_link(FILE *out, const json_t *object, const char *name, const char *words)
{
    const char *file = text_of(object, name);
    if (file[0] == '\0')
        return;
    fputs("<a href=\"", out);
    html_text(out, file);
    fprintf(out, "\">%s</a> ", words);
}

static void put_picture(FILE *out, const char *file, const char *of)
{
    if (file[0] == '\0') {
        fputs("<p class=\"none soft\">no still</p>", out);
        return;
    }
    fputs("<img loading=\"lazy\" src=\"", out);
    html_text(out, file);
    fputs("\" alt=\"", out);
    html_text(out, of);
    fputs("\">", out);
}

static const char *frames(long long count)
{
    return count == 1 ? "frame" : "frames";
}

static void put_cost(FILE *out, const json_t *clip)
{
    long long before = int_of(clip, "extra_before"), after = int_of(clip, "extra_after");
    if (strcmp(text_of(clip, "method"), "exact") == 0) {
        fputs("encoded again, exact to the frame", out);
        if (text_of(clip, "why_encoded")[0] != '\0') {
            fputs(": ", out);
            html_text(out, text_of(clip, "why_encoded"));
        }
    } else if (before == 0 && after == 0) {
        fputs("as recorded, exact to the frame", out);
    } else {
        fprintf(out, "as recorded; for the key frames %lld %s earlier and %lld later", before, frames(before),
                after);
    }
    if (json_is_true(json_object_get(clip, "cut_before")))
        fputs("; cut off where the video begins", out);
    if (json_is_true(json_object_get(clip, "cut_after")))
        fputs("; cut off where the video ends", out);
}

static void put_clip(FILE *out, const json_t *clip)
{
    const char *ref = text_of(clip, strcmp(text_of(clip, "of"), "sighting") == 0 ? "sighting" : "marker");
    fputs("<li><div>", out);
    put_picture(out, text_of(clip, "poster"), text_of(clip, "title"));
    fputs("</div><div><h3><a href=\"", out);
    html_text(out, text_of(clip, "file"));
    fputs("\">", out);
    html_text(out, text_of(clip, "title"));
    fputs(" <span class=\"soft\">", out);
    html_text(out, ref);
    fputs("</span></a></h3><p class=\"tc\">", out);
    html_text(out, text_of(clip, "video"));
    fputs(" · ", out);
    html_text(out, text_of(clip, text_of(clip, "timecode")[0] != '\0' ? "timecode" : "utc"));
    fprintf(out, " · %.1f s</p><p class=\"soft\">", json_real_value(json_object_get(clip, "seconds")));
    put_cost(out, clip);
    fputs("</p><p class=\"links soft\">", out);
    put_link(out, clip, "captions", "captions");
    put_link(out, clip, "chapters", "chapters");
    fputs("</p></div></li>\n", out);
}

static void put_still(FILE *out, const json_t *still)
{
    fputs("<li><a href=\"", out);
    html_text(out, text_of(still, "still"));
    fputs("\">", out);
    put_picture(out, text_of(still, "small"), "");
    fputs("<span>", out);
    html_text(out, text_of(still, "label"));
    fputs("</span></a><p class=\"soft tc\">", out);
    html_text(out, text_of(still, "marker"));
    fputs(" · ", out);
    html_text(out, text_of(still, "video"));
    fputs(" · ", out);
    html_text(out, text_of(still, text_of(still, "timecode")[0] != '\0' ? "timecode" : "utc"));
    fputs(json_is_true(json_object_get(still, "late")) ? " · entered afterwards</p></li>\n" : "</p></li>\n",
          out);
}

static void put_video(FILE *out, const json_t *video)
{
    const char *label = text_of(video, "timecode");
    fputs("<li><b>", out);
    html_text(out, text_of(video, "file"));
    fputs("</b>, placed by ", out);
    html_text(out, text_of(video, "placed_by"));
    fputs(", from <span class=\"tc\">", out);
    html_text(out, label[0] != '\0' ? label : text_of(video, "utc"));
    fprintf(out, "</span>, %lld frames at ", int_of(video, "frames"));
    html_text(out, text_of(video, "rate"));
    fputs(" a second. <span class=\"links\">", out);
    put_link(out, video, "captions", "captions");
    put_link(out, video, "chapters", "chapters");
    put_link(out, video, "overlay", "overlay");
    fputs("</span>", out);
    if (text_of(video, "note")[0] != '\0') {
        fputs("<br><span class=\"soft\">", out);
        html_text(out, text_of(video, "note"));
        fputs("</span>", out);
    }
    fputs("</li>\n", out);
}

static void put_gap(FILE *out, const json_t *gap)
{
    const char *sighting = text_of(gap, "sighting");
    fputs("<li>", out);
    html_text(out, sighting[0] != '\0' ? sighting : "the dive");
    fputs(": <span class=\"tc\">", out);
    html_text(out, text_of(gap, "from_utc"));
    fputs("</span> to <span class=\"tc\">", out);
    html_text(out, text_of(gap, "to_utc"));
    fprintf(out, "</span>, %.1f s</li>\n", json_real_value(json_object_get(gap, "seconds")));
}

static void put_without(FILE *out, const json_t *without)
{
    fputs("<li><b>", out);
    html_text(out, text_of(without, "file"));
    fputs("</b>: ", out);
    html_text(out, text_of(without, "why"));
    fputs("</li>\n", out);
}

static void put_list(FILE *out, const json_t *index, const char *name, const char *heading,
                     const char *list_class, void (*put)(FILE *out, const json_t *entry))
{
    size_t i;
    json_t *entry, *list = json_object_get(index, name);
    if (json_array_size(list) == 0)
        return;
    fprintf(out, "<section><h2 id=\"%s\">%s</h2>\n<ul class=\"%s\">\n", name, heading, list_class);
    json_array_foreach(list, i, entry)
    {
        put(out, entry);
    }
    fputs("</ul></section>\n", out);
}

void clips_page_write(void *index, FILE *out)
{
    const char *dive = text_of(index, "dive");
    fputs("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">"
          "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\"><title>Clips of ",
          out);
    html_text(out, dive[0] != '\0' ? dive : "no dive");
    fprintf(out, "</title><style>\n%s</style></head><body><header><h1>Clips of ", STYLE);
    html_text(out, dive[0] != '\0' ? dive : "no dive");
    fprintf(out,
            "</h1><p class=\"soft\">%zu clips, %zu stills, of %zu videos. A still is the frame at which its "
            "key was pressed.</p></header>\n<main>\n",
            json_array_size(json_object_get(index, "clips")),
            json_array_size(json_object_get(index, "stills")),
            json_array_size(json_object_get(index, "videos")));
    put_list(out, index, "clips", "Clips", "clips", put_clip);
    put_list(out, index, "stills", "Stills", "stills", put_still);
    put_list(out, index, "videos", "Videos", "plain", put_video);
    put_list(out, index, "gaps", "What no video shows", "plain", put_gap);
    put_list(out, index, "left_out", "Videos left out", "plain", put_without);
    put_list(out, index, "failed", "What could not be made", "plain", put_without);
    fputs("</main></body></html>\n", out);
}
