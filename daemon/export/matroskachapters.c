/*
 * matroska-chapters: the XML form of Matroska chapters that mkvmerge and mkvextract read and write; elements and their meaning are
 * RFC 9559, sections 5.1.7 and 20. Chapters may overlap here, so each keeps its own end. UIDs come from the dive's id and the
 * record's number: the same dive gives the same ones. Use:  mkvmerge -o out.mkv --chapters dive.xml dive.mp4
 */
#include "export/chapterlist.h"
#include "export/xmlout.h"

#include <inttypes.h>

/* Unlike any other of the dive; never 0. The hash of the dive's id is FNV-1a, 32 bits. */
static uint64_t uid_of(const char *dive, char letter, uint32_t number)
{
    uint32_t hash = 2166136261U;
    for (; *dive != '\0'; dive++)
        hash = (hash ^ (unsigned char)*dive) * 16777619U;
    return (uint64_t)hash << 32 | (uint64_t)(letter & 0x7F) << 24 | (number & 0xFFFFFFU);
}

static void put_time(xmlTextWriter *xml, const char *element, int64_t ns)
{
    int64_t s = ns / NS_PER_S;
    xmlout_format(xml, element, "%02" PRId64 ":%02" PRId64 ":%02" PRId64 ".%09" PRId64, s / 3600, s / 60 % 60,
                  s % 60, ns % NS_PER_S);
}

static void put_atom(xmlTextWriter *xml, const struct chapterlist *list, const struct chapter *chapter,
                     const char *title)
{
    xmlout_start(xml, "ChapterAtom");
    put_time(xml, "ChapterTimeStart", chapter->start_ns);
    put_time(xml, "ChapterTimeEnd", chapter->end_ns);
    xmlout_format(xml, "ChapterUID", "%" PRIu64, uid_of(list->job->dive, chapter->letter, chapter->number));
    xmlout_start(xml, "ChapterDisplay");
    xmlout_element(xml, "ChapterString", title);
    xmlout_element(xml, "ChapterLanguage", "und");
    xmlout_end(xml);
    xmlout_end(xml);
}

static int put_atoms(xmlTextWriter *xml, struct chapterlist *list)
{
    char title[CHAPTERLIST_TITLE], ref[REF_SIZE];
    for (size_t i = 0; i < list->count; i++) {
        if (!chapterlist_title(list, &list->chapter[i], title, ref))
            return export_reader_failed(list->job);
        put_atom(xml, list, &list->chapter[i], title);
    }
    return 0;
}

static int put_document(struct chapterlist *list)
{
    xmlTextWriter *xml = xmlout_open(list->job->out);
    if (xml == NULL)
        return export_fail(list->job, "out of memory");
    xmlout_start(xml, "Chapters");
    int result = 0;
    if (list->count > 0) { /* an edition without chapters is refused by readers */
        xmlout_start(xml, "EditionEntry");
        xmlout_format(xml, "EditionUID", "%" PRIu64, uid_of(list->job->dive, 'E', 1));
        result = put_atoms(xml, list);
    }
    xmlout_close(xml);
    return result;
}

static int write_matroska(struct export_job *job)
{
    struct chapterlist list;
    int result = chapterlist_open(&list, job);
    if (result == 0)
        result = put_document(&list);
    chapterlist_close(&list);
    return result;
}

const struct export_format export_matroska_chapters = {.name = "matroska-chapters",
                                                       .summary =
                                                           "chapters for a Matroska video (RFC 9559 XML)",
                                                       .write = write_matroska};
