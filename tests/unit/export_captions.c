/* SRT, overlay, chapters of both kinds and cut lists of one dive, looked at as bytes. `export_captions --make DIR RATE` leaves the dive for readers. */
#include "unit/export_dive.h"

static const struct dive_plan DROP = {.rate = TC_RATE_29_97_DF};

static void holds(const char *text, const char *part)
{
    if (strstr(text, part) == NULL)
        fail_msg("not there: %s\nin: %.3000s", part, text);
}

static void begins(const char *text, const char *start)
{
    if (strncmp(text, start, strlen(start)) != 0)
        fail_msg("not so: %s\nbut: %.200s", start, text);
}

static void lacks(const char *text, const char *part)
{
    if (strstr(text, part) != NULL)
        fail_msg("there: %s", part);
}

static void srt_has_nothing_that_ends_a_cue(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    dive_make(f, &DROP);
    char *text = dive_exported(f, "srt", &options, NULL);
    begins(text, "1\n00:01:00,000 --> 00:01:04,000\nOn bottom · ");
    holds(text, "\n3\n00:01:52,000 --> 00:01:56,000\nFish · S001 · ");
    holds(text, "\na ‹b› & \"c\" ]]›  (d} =;#\\  \xEF\xBF\xBD line --› two\n\n4\n");
    lacks(text, "Crab");
    lacks(text, "Clockless");
    free(text);
}

static void webvtt_escapes_the_same_text(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {.video_timecode = "10:00:00;00"};
    dive_make(f, &DROP);
    char *text = dive_exported(f, "webvtt", &options, NULL);
    holds(text, "left out: 1 struck, 2 without a known time, 0 before the first frame\n");
    holds(text, "\na &lt;b&gt; &amp; \"c\" ]]&gt;  {d} =;#\\  \xEF\xBF\xBD line --&gt; two\n");
    lacks(text, "Crab");
    free(text);
}

static void overlay_says_the_state_each_second(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    dive_make(f, &DROP);
    char *text = dive_exported(f, "overlay", &options, NULL);
    char expected[200];
    begins(text, "WEBVTT\n\n0\n00:00:00.000 --> 00:00:01.000\n2031-02-27 23:06:40 UTC · ");
    snprintf(expected, sizeof expected,
             "\n112\n00:01:52.000 --> 00:01:53.000\n2031-02-27 23:08:32 UTC · %.1f m · 000° · 2.51 °C\nFish "
             "D007-S001\n",
             dive_depth_m(112));
    holds(text, expected); /* heading 359.5 shows as 000 */
    holds(text, "\nFish D007-S001\n\n130\n00:02:10.000");
    /* between sightings none; the struck one is none; after the thermometer failed, a dash */
    snprintf(expected, sizeof expected, " UTC · %.1f m · 000° · 2.52 °C\n\n201\n", dive_depth_m(200));
    holds(text, expected);
    snprintf(expected, sizeof expected, " UTC · %.1f m · 000° · – °C\nFish D007-S005\n", dive_depth_m(1000));
    holds(text, expected);
    holds(text, "\n1200\n00:20:00.000 --> 00:20:01.000\n");
    lacks(text, "\n1201\n");
    free(text);
    /* a video that begins later, as SRT, by timecode: second 0 is 100 s into the dive */
    options = (struct export_options){.as_srt = true, .video_timecode = "10:01:40;02"};
    text = dive_exported(f, "overlay", &options, NULL);
    begins(text, "1\n00:00:00,000 --> 00:00:01,000\n2031-02-27 23:08:2");
    free(text);
}

static void chapters_do_not_overlap(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    dive_make(f, &DROP);
    char *text = dive_exported(f, "chapters", &options, NULL);
    holds(
        text,
        ";FFMETADATA1\ntitle=D007\ncomment=times count from 2031-02-27T23:06:40.000Z\\; left out: 0 without");
    holds(text, "[CHAPTER]\nTIMEBASE=1/1000000000\nSTART=60000000000\nEND=100000000000\ntitle=On bottom "
                "(D007-T001)\n");
    holds(text, "START=110000000000\nEND=130000000000\ntitle=Fish: Exemplaria ficta cf. (D007-S001)\n");
    holds(text,
          "START=900000000000\nEND=1200000000000\ntitle=Fish (D007-S005)\n"); /* open: to the dive's end */
    lacks(text, "Crab");
    lacks(text, "Struck");
    free(text);
}

static void matroska_chapters_keep_their_ends(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {.has_video_utc = true, .video_utc = {T0 + 120 * S}};
    dive_make(f, &DROP);
    char *text = dive_exported(f, "matroska-chapters", &options, NULL);
    /* began before the video: from its first frame */
    holds(text,
          "<ChapterTimeStart>00:00:00.000000000</ChapterTimeStart>\n   <ChapterTimeEnd>00:16:20.000000000</");
    holds(text,
          "<ChapterTimeStart>00:00:30.000000000</ChapterTimeStart>\n   <ChapterTimeEnd>00:01:00.000000000</");
    holds(text, "<ChapterString>Große Qualle (D007-S004)</ChapterString>");
    lacks(text, "Crab");
    lacks(text, "<ChapterUID>0<");
    free(text);
}

static void a_cut_list_in_drop_frame(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {.reel = "CAM 1 long name"};
    dive_make(f, &DROP);
    char *text = dive_exported(f, "edl", &options, NULL);
    begins(text, "TITLE: D007\r\nFCM: DROP FRAME\r\n");
    /* the start, 110 s, lies in frame 3296 from 10:00:00;00, the end, 130 s, in frame 3896, which belongs to it */
    holds(text, "\r\n001  CAM_1_lo V     C        10:01:49;28 10:02:10;01 01:00:00;00 01:00:20;01\r\n");
    holds(text, "* FROM CLIP NAME: D007-S001 Fish\r\n* COMMENT: Exemplaria ficta cf.\r\n");
    holds(text, "Gro_e Qualle");
    lacks(text, "Crab");
    free(text);
}

static void a_dive_without_timecode_makes_no_cut_list(void **state)
{
    struct fixture *f = *state;
    struct dive_plan plan = {.rate = TC_RATE_25, .no_timecode = true};
    struct export_options options = {0};
    char path[160], why[EXPORT_WHY_SIZE];
    dive_make(f, &plan);
    struct store_reader *reader = open_reader(f);
    snprintf(path, sizeof path, "%s/cut.edl", f->folder);
    assert_int_equal(export_write(&export_edl, reader, &options, path, why), -1);
    holds(why, "timecode");
    assert_int_equal(access(path, F_OK), -1);
    store_reader_close(reader);
}

static size_t events_in(const char *path)
{
    char line[400];
    size_t events = 0;
    FILE *in = fopen(path, "rb");
    if (in == NULL)
        fail_msg("%s is not there", path);
    while (fgets(line, sizeof line, in) != NULL)
        events += line[0] >= '0' && line[0] <= '9';
    fclose(in);
    return events;
}

static void a_long_cut_list_is_split(void **state)
{
    struct fixture *f = *state;
    struct dive_plan plan = {.rate = TC_RATE_25};
    struct export_options options = {0};
    char path[160], why[EXPORT_WHY_SIZE] = "";
    f->options.wait_for_room = true;
    fixture_open(f);
    dive_begin(f);
    for (uint32_t i = 1; i <= 2001; i++) {
        submit(f, dive_marker(&plan, i, i, "subject", "Fish", "", i));
        submit(f, dive_sighting(i, "closed", "Fish", (double)i - 2, (double)i + 1, i));
    }
    flush(f);
    struct store_reader *reader = open_reader(f);
    snprintf(path, sizeof path, "%s/cut.edl", f->folder);
    if (export_write(&export_edl, reader, &options, path, why) != 0)
        fail_msg("%s", why);
    assert_int_equal(events_in(path), 999);
    snprintf(path, sizeof path, "%s/cut-2.edl", f->folder);
    assert_int_equal(events_in(path), 999);
    snprintf(path, sizeof path, "%s/cut-3.edl", f->folder);
    assert_int_equal(events_in(path), 3);
    assert_int_equal(export_write(&export_edl, reader, &options, "-", why), -1);
    holds(why, "3 files");
    store_reader_close(reader);
}

static void an_empty_dive_makes_empty_files(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    fixture_open(f);
    submit(f, make_dive("E1", "begun", 0));
    flush(f);
    static const char *const formats[] = {"srt", "webvtt", "overlay", "chapters", "matroska-chapters", "edl"};
    for (size_t i = 0; i < sizeof formats / sizeof formats[0]; i++) {
        char *text = dive_exported(f, formats[i], &options, NULL);
        lacks(text, "title=E1\n[CHAPTER]");
        lacks(text, "001  AX");
        lacks(text, "EditionEntry");
        free(text);
    }
}

static void the_same_record_gives_the_same_bytes(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    const struct export_format *format;
    dive_make(f, &DROP);
    for (size_t i = 0; (format = export_format_at(i)) != NULL; i++) {
        size_t first_len, second_len;
        setenv("TZ", "Pacific/Chatham", 1);
        tzset();
        char *first = dive_exported(f, format->name, &options, &first_len);
        setenv("TZ", "UTC", 1);
        tzset();
        char *second = dive_exported(f, format->name, &options, &second_len);
        if (first_len == 0 || first_len != second_len || memcmp(first, second, first_len) != 0)
            fail_msg("%s differs", format->name);
        free(first);
        free(second);
    }
}

int main(int argc, char **argv)
{
    if (argc == 4 && strcmp(argv[1], "--make") == 0)
        return dive_leave(argv[2], argv[3]);
    const struct CMUnitTest tests[] = {
        STORE_TEST(srt_has_nothing_that_ends_a_cue),
        STORE_TEST(webvtt_escapes_the_same_text),
        STORE_TEST(overlay_says_the_state_each_second),
        STORE_TEST(chapters_do_not_overlap),
        STORE_TEST(matroska_chapters_keep_their_ends),
        STORE_TEST(a_cut_list_in_drop_frame),
        STORE_TEST(a_dive_without_timecode_makes_no_cut_list),
        STORE_TEST(a_long_cut_list_is_split),
        STORE_TEST(an_empty_dive_makes_empty_files),
        STORE_TEST(the_same_record_gives_the_same_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
