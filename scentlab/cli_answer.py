"""The commands of an answer to a package: `answer` writes it, `weigh` sets it beside own picks."""

from scentlab.cli import (
    CannotDo,
    add_rules,
    analysed,
    command,
    new_file,
    quoted,
    read_rules,
    series_folder,
)

# In percent on the command line, a share in the file.
_SHARES = {"risk_pct": "risk", "confidence_pct": "confidence"}
_GRADES = ("limit_grade", "frost_limit_grade")


def add_commands(commands):
    """Add the two commands to the parser."""
    _add_answer(commands)
    _add_weigh(commands)


def _answer(arguments):
    from scentlab.sharing.answer import Answer, weigh_answer
    from scentlab.sharing.opening import open_package

    path = new_file(arguments.out, ".json", "an answer is a small JSON file")
    opened = open_package(arguments.file)
    answer = Answer(
        opened.fingerprint, arguments.sender, tuple(map(_lot, arguments.lot)),
        _proposed(arguments), dict(map(_limit, arguments.limit)), arguments.note,
    )
    weighed = weigh_answer(opened.analysis, answer)
    print("\n".join(weighed.lines))
    answer.write(path)
    print(f"Answer: {path}")
    print("Nothing is sent: mail the file back yourself. It is weighed with: "
          f"scentlab weigh FOLDER {quoted(path.name)}")


def _proposed(arguments):
    rules = {
        name: getattr(arguments, option) / 100
        for option, name in _SHARES.items() if getattr(arguments, option) is not None
    }
    others = {name: getattr(arguments, name) for name in (*_GRADES, "throw_loss")}
    return rules | {name: value for name, value in others.items() if value is not None}


def _limit(text):
    blend, equals, load = text.rpartition("=")
    try:
        return blend.strip(), float(load.replace(",", ".").rstrip(" %"))
    except ValueError:
        pass
    raise CannotDo(f"--limit {text!r} is not understood; write BLEND=LOAD, such as soft=8.5")


def _lot(text):
    from scentlab.sharing.answer import LotFact

    parts = [part.strip() for part in text.split("=")]
    if len(parts) != 4:
        raise CannotDo(
            f"--lot {text!r} is not understood; write MATERIAL=LOT=WHAT=VALUE, such as "
            '"hard wax=L7=oil content=0.4 %"'
        )
    return LotFact(*parts)


def _weigh(arguments):
    from scentlab.sharing.answer import read_answer, weigh_answer
    from scentlab.sharing.opening import package_fingerprint

    folder, answer = series_folder(arguments.folder), read_answer(arguments.file)
    package = package_fingerprint(arguments.package) if arguments.package else None
    rules = read_rules(arguments, folder)
    own = analysed(folder, rules, arguments.seed)
    print("\n".join(weigh_answer(own, answer, package).lines))
    if package is None:
        print("Whether it answers the package that was sent was not looked at: give --package.")
    print("Nothing of the series was changed.")


def _add_answer(commands):
    parser = command(
        commands, "answer", _answer, "answer a package that was sent, in a small file",
        """
        For a supplier: check a package as `scentlab open` does, then write an answer to it, with
        what is known of a lot, another risk or confidence, or another highest load for a blend.
        The loads that follow are printed beside those of the package. The file goes back to
        the maker, who sees both side by side with `scentlab weigh`; a file that is there already
        is not replaced.
        """,
        """
        scentlab answer cedar.zip --out answer.json --from "the wax maker" --limit soft=8.5
        scentlab answer cedar.zip --out answer.json --from "the wax maker" \\
            --lot "hard wax=L7=oil content=0.4 %" --risk-pct 2 --note "Add at 75 °C."
        """,
    )
    parser.add_argument("file", metavar="FILE.zip", help="the package")
    parser.add_argument("--out", metavar="FILE.json", required=True, help="the answer to write")
    parser.add_argument(
        "--from", dest="sender", metavar="TEXT", required=True,
        help="who answers, as they want to be named",
    )
    parser.add_argument("--note", default="", metavar="TEXT", help="anything else, in words")
    parser.add_argument(
        "--lot", action="append", default=[], metavar="MATERIAL=LOT=WHAT=VALUE",
        help="something known of a lot (may be repeated)",
    )
    group = parser.add_argument_group("a counter-proposal")
    group.add_argument(
        "--limit", action="append", default=[], metavar="BLEND=LOAD",
        help="another highest load of a blend, in %% of wax (may be repeated)",
    )
    for option, name in _SHARES.items():
        words = {"risk": "highest share of pieces that may sweat", "confidence": "how sure"}[name]
        group.add_argument(f"--{option.replace('_', '-')}", type=float, metavar="PERCENT",
                           help=f"{words}, in %%")
    group.add_argument("--throw-loss", type=float, metavar="POINTS",
                       help="points of throw (of 10) that may be given up")
    for name in _GRADES:
        group.add_argument(f"--{name.replace('_', '-')}", type=int, choices=(1, 2, 3, 4),
                           help=f"{name.split('_')[0].replace('limit', 'sweat')} grade that counts "
                           "as a fault")


def _add_weigh(commands):
    parser = command(
        commands, "weigh", _weigh, "see a supplier's answer beside your own loads",
        """
        Read an answer that `scentlab answer` wrote and print, for each blend, the
        recommended and the highest safe load by your own rules beside those of the answer, with
        what the answer says of lots. An answer changes nothing in the record. With --package, an
        answer to another package than the one that was sent is refused.
        """,
        """
        scentlab weigh cedar-2026 answer.json --package cedar.zip
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="series folder, made by `scentlab new`")
    parser.add_argument("file", metavar="FILE.json", help="the answer")
    parser.add_argument("--package", metavar="FILE.zip", help="the package that was sent")
    add_rules(parser)
