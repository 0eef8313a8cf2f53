"""Scripts that complete the command line in a shell, from the commands themselves; a shell runs them without Python.

Rules: the words are static, made when the script is printed; an option before the command (`--store DIR`) is passed
over; where no word is known, the shell completes file names.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.usage.examples import AppCommand, walk
from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import meant

SHELLS = ("bash", "zsh", "fish")

#: Options that every command has and none declares.
_EVERYWHERE = {
    "--help": "what it does, its options, an example",
    "--plain": "tables as `key: value` lines",
    "--debug": "a traceback with an error",
}
_ALL = " ".join(_EVERYWHERE)
#: The condition of fish: true where the words so far are these commands, whatever options are among them.
_FISH = """function __bundlekeeper_at
    set -l path ""
    set -l skip ""
    set -l tokens (commandline -opc)
    set -e tokens[1]
    for word in $tokens
        if test -n "$skip"
            set skip ""
            continue
        end
        switch "$word"
            case --store
                test -z "$path"; and set skip yes
            case "-*"
            case "*"
                set -l longer (string trim -- "$path $word")
                contains -- "$longer" KNOWN; and set path "$longer"
        end
    end
    test "$path" = "$argv"
end"""

#: Command -> the words that its arguments can be.
Words = Mapping[str, Sequence[str]]


def show(shell: str, app: AppCommand, arguments: Words) -> None:
    """Print the script of a shell. Raises InputError for a shell that is not known."""
    makers = {"bash": bash, "zsh": zsh, "fish": fish}
    if shell not in makers:
        raise InputError(f"no script for the shell {shell}", hint=meant(shell, SHELLS))
    output.block(makers[shell](app, arguments).rstrip("\n"))


def bash(app: AppCommand, arguments: Words) -> str:
    """The script for bash: source it, or put it where bash-completion finds it."""
    return f"""# bash completion of bundlekeeper, made by: bundlekeeper completion bash
_bundlekeeper() {{
    local word path="" skip="" current="${{COMP_WORDS[COMP_CWORD]}}" options="" words="" values=""
    local -i number
    COMPREPLY=()
    for ((number = 1; number < COMP_CWORD; number++)); do
        word="${{COMP_WORDS[number]}}"
        if [[ -n $skip ]]; then [[ $word == "=" ]] || skip=""; continue; fi  # bash takes --store=DIR for three words
        case "$word" in
            --store) [[ -z $path ]] && skip=yes ;;
            -*) ;;
            *) case "$path $word" in
                {_paths(app)}) path="${{path:+$path }}$word" ;;
            esac ;;
        esac
    done
    case "$path" in
{_cases(app, arguments)}
    esac
    word="${{COMP_WORDS[COMP_CWORD-1]}}"
    if [[ $word == "=" ]]; then word="${{COMP_WORDS[COMP_CWORD-2]}}"; fi
    case " $values " in *" $word "*) return ;; esac
    if [[ $current == -* ]]; then words="$options"; fi
    COMPREPLY=($(compgen -W "$words" -- "$current"))
}}
complete -o default -o bashdefault -F _bundlekeeper bundlekeeper
"""


def zsh(app: AppCommand, arguments: Words) -> str:
    """The script for zsh: a file `_bundlekeeper` in a folder of `fpath`."""
    return f"""#compdef bundlekeeper
# zsh completion of bundlekeeper, made by: bundlekeeper completion zsh
_bundlekeeper() {{
    local word path_of="" skip="" current="${{words[CURRENT]}}" options="" values="" choices=""
    local -i number
    for ((number = 2; number < CURRENT; number++)); do
        word="${{words[number]}}"
        if [[ -n $skip ]]; then skip=""; continue; fi
        case "$word" in
            --store) [[ -z $path_of ]] && skip=yes ;;
            -*) ;;
            *) case "$path_of $word" in
                {_paths(app)}) path_of="${{path_of:+$path_of }}$word" ;;
            esac ;;
        esac
    done
    case "$path_of" in
{_cases(app, arguments, name="choices")}
    esac
    case " $values " in *" ${{words[CURRENT-1]}} "*) _files; return ;; esac
    if [[ $current == -* ]]; then choices="$options"; fi
    if [[ -n $choices ]]; then compadd -- ${{=choices}}; else _files; fi
}}
if [[ $funcstack[1] == _bundlekeeper ]]; then _bundlekeeper "$@"; else compdef _bundlekeeper bundlekeeper; fi
"""


def fish(app: AppCommand, arguments: Words) -> str:
    """The script for fish: a file in `~/.config/fish/completions`."""
    known = " ".join(_quoted(" ".join(words)) for words, _ in walk(app))
    lines = ["# fish completion of bundlekeeper, made by: bundlekeeper completion fish", _FISH.replace("KNOWN", known)]
    at = "complete -c bundlekeeper -n '__bundlekeeper_at"
    for name, own in app.commands.items():
        lines.append(f"{at}' -f -a {name} -d {_quoted(_short(own))}")
    for words, command in walk(app):
        here = f"{at} {' '.join(words)}'"
        for name, own in getattr(command, "commands", {}).items():
            lines.append(f"{here} -f -a {name} -d {_quoted(_short(own))}")
        for option in _options(command):
            flags = " ".join(f"-l {o[2:]}" if o.startswith("--") else f"-s {o[1:]}" for o in option.opts)
            value = "" if option.is_flag else " -r"
            lines.append(f"{here} {flags}{value} -d {_quoted(option.help or '')}")
        if " ".join(words) in arguments:
            lines.append(f"{here} -f -a '{' '.join(arguments[' '.join(words)])}'")
    for option, what in _EVERYWHERE.items():
        lines.append(f"complete -c bundlekeeper -l {option[2:]} -d {_quoted(what)}")
    return "\n".join(lines) + "\n"


def _paths(app: AppCommand) -> str:
    """The commands as patterns of `case`: what came before, a blank, the word."""
    return "|".join(f'"{" ".join(words[:-1])} {words[-1]}"' for words, _ in walk(app))


def _cases(app: AppCommand, arguments: Words, name: str = "words") -> str:
    top = f'        "") {name}="{" ".join(app.commands)}"; options="--version --store {_ALL}"; values="--store" ;;'
    return "\n".join([top, *_command_cases(app, arguments, name)])


def _command_cases(app: AppCommand, arguments: Words, name: str) -> Iterator[str]:
    for words, command in walk(app):
        path = " ".join(words)
        choices = getattr(command, "commands", None) or arguments.get(path, ())
        options = [opt for option in _options(command) for opt in (*option.opts, *option.secondary_opts)]
        values = [opt for option in _options(command) if not option.is_flag for opt in option.opts]
        yield (
            f'        "{path}") {name}="{" ".join(choices)}"; options="{" ".join([*options, _ALL])}"; '
            f'values="{" ".join(values)}" ;;'
        )


def _options(command: AppCommand) -> list[AppCommand]:
    return [p for p in command.params if p.param_type_name == "option" and not getattr(p, "hidden", False)]


def _short(command: AppCommand) -> str:
    return str(command.short_help or command.help or "")


def _quoted(text: str) -> str:
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"
