#include "cli/ask.h"
#include "cli/keylabels.h"
#include "cli/table.h"
#include "cli/verbs.h"

#include "io/config.h"
#include "io/keyplan_file.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

static void print_problem(void *ctx, const struct ini_problem *problem)
{
    char text[1024];
    (void)ctx;
    ini_problem_text(problem, text, sizeof text);
    fprintf(stderr, "%s\n", text);
}

static const struct ini_text_report REPORT = {print_problem, NULL};

static const struct table_column COLUMNS[] = {{"KEY", false, false, false},  {"PRESSED", false, false, false},
                                              {"KIND", false, false, false}, {"LABEL", false, true, false},
                                              {"LEAD", true, false, true},   {"INTO", false, false, true},
                                              {"TERM", false, true, true}};

static void def_row(struct table *table, const struct key_def *def)
{
    table_cell(table, def->name);
    table_cell(table, key_gesture_name(def->gesture));
    table_cell(table, key_kind_name(def->kind));
    table_cell(table, def->label[0] != '\0' ? def->label : dive_phase_name(def->phase));
    if (def->lead_ms > 0)
        table_cellf(table, "%.3g s", def->lead_ms / 1000.0);
    else
        table_cell(table, "");
    table_cell(table, def->container[0] != '\0' ? def->container : def->gear);
    table_cell(table, def->term);
}

static void print_plan(const struct keyplan *plan, const char *seat, const char *pad)
{
    struct table *table = table_new(COLUMNS, sizeof COLUMNS / sizeof COLUMNS[0]);
    if (table == NULL)
        return;
    for (size_t i = 0; i < plan->def_count; i++)
        def_row(table, &plan->def[i]);
    printf("%s: pad %s, seat %s; held is %u ms and longer\n",
           plan->title[0] != '\0' ? plan->title : "key plan", pad, seat, plan->hold_ms);
    table_print(table, TABLE_WIDTH, stdout);
    for (size_t i = 0; i < plan->container_count; i++) {
        const struct key_container *container = &plan->container[i];
        printf("%s %s%s", container->name, container->label, container->label[0] != '\0' ? ", " : "");
        if (container->capacity > 0)
            printf("%u sample%s\n", container->capacity, container->capacity == 1 ? "" : "s");
        else
            puts("no limit");
    }
    table_free(table);
}

static json_t *def_json(const struct key_def *def, const char *seat, const char *pad)
{
    json_t *row = json_pack("{s:s, s:s, s:s, s:s, s:s, s:s, s:f}", "pad", pad, "seat", seat, "key", def->name,
                            "gesture", key_gesture_name(def->gesture), "kind", key_kind_name(def->kind),
                            "label", def->label, "lead_s", def->lead_ms / 1000.0);
    ask_put(row, "term", def->term[0] != '\0' ? def->term : NULL);
    ask_put(row, "phase", def->phase != DIVE_PHASE_NONE ? dive_phase_name(def->phase) : NULL);
    ask_put(row, "container", def->container[0] != '\0' ? def->container : NULL);
    ask_put(row, "gear", def->gear[0] != '\0' ? def->gear : NULL);
    return row;
}

static void print_json(const struct keyplan *plan, const char *seat, const char *pad)
{
    for (size_t i = 0; i < plan->def_count; i++) {
        json_t *row = def_json(&plan->def[i], seat, pad);
        ask_print_json(row);
        json_decref(row);
    }
}

static int write_labels(const struct options *options, const struct keylabels_sheet *sheet, const char *path)
{
    FILE *out = strcmp(path, "-") == 0 ? stdout : fopen(path, "we");
    if (out == NULL)
        return cli_fail(options->verb, "%s cannot be made: %s", path, strerror(errno));
    bool fits = keylabels_write(sheet, out);
    bool written = ferror(out) == 0;
    if (out != stdout)
        written = fclose(out) == 0 && written;
    if (!written)
        return cli_fail(options->verb, "%s cannot be written: %s", path, strerror(errno));
    if (!fits)
        return cli_fail(options->verb,
                        "the keys do not fit on one page of A4; give a smaller --pitch-mm, or one --seat");
    if (out != stdout && !options->json)
        printf("%s: print at 100 %%, without fitting to the page; the ruler on it is 100 mm long\n", path);
    return CLI_DONE;
}

struct plans {
    struct config *config;
    struct keyplan *plan[ENGINE_PADS_MAX];
};

static int read_plans(const struct options *options, const struct target *target, struct plans *plans)
{
    char *text = NULL;
    size_t len = 0;
    const char *seat = options_value(options, "seat");
    if (config_load(plans->config, target->config, &text, &len, &REPORT) != 0) {
        free(text);
        return cli_fail(options->verb, "%s: see above", target->config);
    }
    free(text);
    for (size_t i = 0; i < plans->config->engine.pad_count; i++) {
        if (seat != NULL && strcmp(plans->config->engine.pad[i].seat, seat) != 0)
            continue;
        plans->plan[i] = malloc(sizeof *plans->plan[i]);
        text = NULL;
        int problems = plans->plan[i] == NULL ? 1
                                              : keyplan_file_load(plans->plan[i], plans->config->pad[i].plan,
                                                                  &text, &len, &REPORT);
        free(text);
        if (problems != 0)
            return cli_fail(options->verb, "%s is no key plan; see above", plans->config->pad[i].plan);
    }
    return CLI_DONE;
}

static int show(const struct options *options, struct plans *plans)
{
    const struct engine_config *engine = &plans->config->engine;
    struct keylabels_sheet sheet = {.pitch_mm = 19.05};
    const char *path = options_value(options, "o"), *pitch = options_value(options, "pitch-mm");
    if (pitch != NULL) {
        char *end;
        sheet.pitch_mm = strtod(pitch, &end);
        if (end == pitch || *end != '\0' || !(sheet.pitch_mm >= 10 && sheet.pitch_mm <= 60))
            return cli_misuse(options->verb, "--pitch-mm '%s': must be a number of millimetres, 10 to 60",
                              pitch);
    }
    for (size_t i = 0; i < engine->pad_count; i++) {
        if (plans->plan[i] == NULL)
            continue;
        if (path == NULL && options->json)
            print_json(plans->plan[i], engine->pad[i].seat, engine->pad[i].name);
        else if (path == NULL)
            print_plan(plans->plan[i], engine->pad[i].seat, engine->pad[i].name);
        sheet.plan[sheet.count] = plans->plan[i];
        sheet.seat[sheet.count++] = engine->pad[i].seat;
    }
    if (sheet.count == 0)
        return cli_fail(options->verb,
                        "the configuration has no pad%s; a [pad NAME] section with plan = FILE makes one",
                        options_value(options, "seat") != NULL ? " at that seat" : "");
    return path != NULL ? write_labels(options, &sheet, path) : CLI_DONE;
}

static int run(const struct options *options)
{
    struct target target;
    struct plans plans = {.config = NULL};
    if (target_find(options, &target) != CLI_DONE)
        return CLI_FAILED;
    if (target.config[0] == '\0')
        return cli_fail(options->verb, "key plans are named in the configuration: give --config FILE");
    plans.config = calloc(1, sizeof *plans.config);
    if (plans.config == NULL)
        return cli_fail(options->verb, "out of memory");
    int done = read_plans(options, &target, &plans);
    if (done == CLI_DONE)
        done = show(options, &plans);
    for (int i = 0; i < ENGINE_PADS_MAX; i++)
        free(plans.plan[i]);
    free(plans.config);
    return done;
}

static const struct cli_option OPTIONS[] = {
    {"o", "FILE.svg", "labels to print, one page of A4, true to the millimetre"},
    {"seat", "SEAT", "only the pads of that seat"},
    {"pitch-mm", "MM", "from key to key; 19.05 unless given"},
    {0}};

const struct cli_verb verb_keys = {
    .name = "keys",
    .arguments = "[options]",
    .summary = "Shows the key plans, or makes labels for the keys",
    .details =
        "The plans are those that the configuration names, as the files are now; a daemon takes changes\n"
        "when it gets SIGHUP. In the labels what a held key says stands in italics below.",
    .examples = "  bellrope keys\n"
                "  bellrope keys --seat science -o labels.svg\n",
    .options = OPTIONS,
    .needs = CLI_NEEDS_DAEMON,
    .prints = true,
    .run = run,
};
