#include "cli/verbs.h"

#include "cli/options.h"
#include "export/export.h"

#include <string.h>

/* Options whose value is a file. */
static bool takes_file(const struct cli_option *option)
{
    static const char *const names[] = {"FILE", "PATH", "DB", "DIR", "FILE.svg", "FILE.html"};
    for (size_t i = 0; option->value != NULL && i < sizeof names / sizeof names[0]; i++)
        if (strcmp(option->value, names[i]) == 0)
            return true;
    return false;
}

typedef void option_fn(const struct cli_option *option);

static void each_option(const struct cli_verb *verb, option_fn *fn)
{
    const struct cli_option *set[OPTIONS_SETS];
    options_sets(verb, set);
    for (int i = 0; i < OPTIONS_SETS; i++)
        for (const struct cli_option *option = set[i]; option->name != NULL; option++)
            fn(option);
}

static bool has_formats(const struct cli_verb *verb)
{
    return strncmp(verb->arguments, "FORMAT ", 7) == 0;
}

/* Whether the first argument is one of a few words, as in "begin ID | end | list". */
static bool has_words(const struct cli_verb *verb)
{
    return has_formats(verb) || (verb->arguments[0] >= 'a' && verb->arguments[0] <= 'z');
}

static void put_formats(void)
{
    const struct export_format *format;
    for (size_t i = 0; (format = export_format_at(i)) != NULL; i++)
        printf("%s ", format->name);
}

/* Those words, each followed by a space: formats, or what is in small letters after each bar, one way of `begin` after another said once. */
static void put_words(const struct cli_verb *verb)
{
    if (has_formats(verb)) {
        put_formats();
        return;
    }
    const char *last = "";
    size_t last_len = 0;
    for (const char *at = verb->arguments; has_words(verb) && *at != '\0';) {
        at += strspn(at, " |");
        size_t len = strspn(at, "abcdefghijklmnopqrstuvwxyz");
        bool again = len == last_len && strncmp(at, last, len) == 0;
        if (len > 0 && !again && (at[len] == '\0' || at[len] == ' '))
            printf("%.*s ", (int)len, at);
        last = at;
        last_len = len;
        at += strcspn(at, "|");
    }
}

static const char *dashes(const struct cli_option *option)
{
    return option->name[1] == '\0' ? "-" : "--";
}

/* ---- bash ---- */

static void bash_option(const struct cli_option *option)
{
    printf("%s%s ", dashes(option), option->name);
}

static void bash_file(const struct cli_option *option)
{
    if (takes_file(option))
        printf("|%s%s", dashes(option), option->name);
}

static void bash_value(const struct cli_option *option)
{
    if (option->value != NULL && !takes_file(option))
        printf("|%s%s", dashes(option), option->name);
}

static void bash(void)
{
    fputs("# bash completion for bellrope; made by: bellrope completion bash\n"
          "_bellrope() {\n"
          "    local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD-1]} options= words=\n"
          "    COMPREPLY=()\n"
          "    if [ \"$COMP_CWORD\" -eq 1 ]; then\n"
          "        COMPREPLY=($(compgen -W '",
          stdout);
    for (size_t i = 0; i < cli_verb_count; i++)
        if (!cli_verbs[i]->hidden)
            printf("%s ", cli_verbs[i]->name);
    fputs("' -- \"$word\"))\n        return\n    fi\n    case ${COMP_WORDS[1]} in\n", stdout);
    for (size_t i = 0; i < cli_verb_count; i++) {
        const struct cli_verb *verb = cli_verbs[i];
        if (verb->hidden)
            continue;
        printf("    %s)\n        case $before in\n        _", verb->name);
        each_option(verb, bash_file);
        fputs(") COMPREPLY=($(compgen -f -- \"$word\")); return ;;\n        _", stdout);
        each_option(verb, bash_value);
        fputs(") return ;;\n        esac\n        options='", stdout);
        each_option(verb, bash_option);
        fputs("'\n        words='", stdout);
        put_words(verb);
        fputs("'\n        ;;\n", stdout);
    }
    fputs("    esac\n"
          "    case $word in\n"
          "    -*) COMPREPLY=($(compgen -W \"$options\" -- \"$word\")) ;;\n"
          "    *)\n"
          "        [ \"$COMP_CWORD\" -ne 2 ] || COMPREPLY=($(compgen -W \"$words\" -- \"$word\"))\n"
          "        [ \"${#COMPREPLY[@]}\" -gt 0 ] || COMPREPLY=($(compgen -f -- \"$word\"))\n"
          "        ;;\n"
          "    esac\n"
          "}\n"
          "complete -o filenames -F _bellrope bellrope\n",
          stdout);
}

/* ---- zsh ---- */

/* Inside single quotes, in a specification of _arguments or _describe. */
static void zsh_text(const char *text)
{
    for (; *text != '\0'; text++) {
        if (*text == '\'')
            fputs("'\\''", stdout);
        else if (strchr("[]:\\", *text) != NULL)
            printf("\\%c", *text);
        else
            putchar(*text);
    }
}

static void zsh_option(const struct cli_option *option)
{
    printf(" \\\n            '%s%s[", dashes(option), option->name);
    zsh_text(option->help);
    fputs("]", stdout);
    if (option->value != NULL) {
        fputs(":", stdout);
        zsh_text(option->value);
        fputs(takes_file(option) ? ":_files" : ": ", stdout);
    }
    fputs("'", stdout);
}

/* A list without words would leave the first argument with nothing, not even a file. */
static void zsh_words(const struct cli_verb *verb)
{
    if (!has_words(verb))
        return;
    fputs(" \\\n            '1: :(", stdout);
    put_words(verb);
    fputs(")'", stdout);
}

static void zsh(void)
{
    fputs("#compdef bellrope\n"
          "# zsh completion for bellrope; made by: bellrope completion zsh\n"
          "_bellrope() {\n"
          "    local -a verbs\n"
          "    verbs=(\n",
          stdout);
    for (size_t i = 0; i < cli_verb_count; i++) {
        if (cli_verbs[i]->hidden)
            continue;
        printf("        '%s:", cli_verbs[i]->name);
        zsh_text(cli_verbs[i]->summary);
        fputs("'\n", stdout);
    }
    fputs("    )\n"
          "    if (( CURRENT == 2 )); then\n"
          "        _describe verb verbs\n"
          "        return\n"
          "    fi\n"
          "    local verb=$words[2]\n"
          "    shift words\n"
          "    (( CURRENT-- ))\n"
          "    case $verb in\n",
          stdout);
    for (size_t i = 0; i < cli_verb_count; i++) {
        const struct cli_verb *verb = cli_verbs[i];
        if (verb->hidden)
            continue;
        printf("    %s)\n        _arguments -S", verb->name);
        each_option(verb, zsh_option);
        zsh_words(verb);
        fputs(" \\\n            '*:file:_files'\n        ;;\n", stdout);
    }
    fputs("    esac\n}\n_bellrope \"$@\"\n", stdout);
}

static int run(const struct options *options)
{
    if (strcmp(options->argument[0], "bash") == 0)
        bash();
    else if (strcmp(options->argument[0], "zsh") == 0)
        zsh();
    else
        return cli_misuse(options->verb, "'%s': it is bash or zsh", options->argument[0]);
    return CLI_DONE;
}

const struct cli_verb verb_completion = {
    .name = "completion",
    .arguments = "bash | zsh",
    .summary = "Prints a shell's completion script, made from the verbs' own tables",
    .examples = "  bellrope completion bash > /usr/share/bash-completion/completions/bellrope\n"
                "  bellrope completion zsh > /usr/share/zsh/vendor-completions/_bellrope\n",
    .least = 1,
    .most = 1,
    .hidden = true,
    .run = run,
};
