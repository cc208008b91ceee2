# What zsh makes of a line and a tab, with the completions of a folder:  zsh -f complete.zsh FOLDER LINE
# A shell on a pseudo-terminal; after the tab comes a key that tells what then stands in the line.
zmodload zsh/zpty
zpty shell zsh -f -i
zpty -w shell "fpath=($1 \$fpath); autoload -Uz compinit; compinit -u -D; tell() { print -r -- \"<\$BUFFER>\" }; zle -N tell; bindkey '^X' tell; echo rea''dy"
zpty -r -m shell heard '*ready*'
zpty -n -w shell "$2"$'\t\x18'
zpty -r -m shell heard '*<*>*'
print -r -- "${${heard##*<}%%>*}"
zpty -d shell
