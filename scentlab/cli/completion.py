"""A script by which a shell completes the commands and options of the kit."""

from scentlab.cli import COMMANDS

_BASH = """\
{first}_scentlab() {{
  local word="${{COMP_WORDS[COMP_CWORD]}}" words=""
  if [ "$COMP_CWORD" = 1 ]; then words="{names}"
  else case "${{COMP_WORDS[1]}}" in
{cases}
  esac; fi
  case "$word" in -*) ;; *) [ "$COMP_CWORD" = 1 ] || words="" ;; esac
  COMPREPLY=($(compgen -W "$words" -- "$word"))
}}
complete -o default -F _scentlab scentlab"""


def script(shell, commands):
    options = {c.name: [n for n, _ in c.options if n.startswith("--")] for c in commands}
    if shell == "fish":
        ask = "complete -c scentlab -n '__fish_{}'"
        return "\n".join([
            *(f"{ask.format('use_subcommand')} -f -a {c.name} -d {_quoted(c.short)}"
              for c in commands),
            *(f"{ask.format(f'seen_subcommand_from {name}')} -l {o[2:]}"
              for name, own in options.items() for o in own),
        ])
    cases = "\n".join(f'  {name}) words="{" ".join(own)}" ;;' for name, own in options.items())
    first = "autoload -U +X bashcompinit && bashcompinit\n" if shell == "zsh" else ""
    return _BASH.format(first=first, names=" ".join(options), cases=cases)


def _quoted(words):
    return "'" + words.replace("'", "\\'") + "'"


def _completion(arguments):
    print(script(arguments.shell, COMMANDS))
