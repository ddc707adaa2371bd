"""An example or two for each command, shown under its --help; a test holds them against its options."""

from collections.abc import Mapping

JOB = "sequences/two_loop_switcher"

EXAMPLES: Mapping[str, tuple[str, ...]] = {
    "new": ("switchwalk new my-switcher", "switchwalk new my-insert --template mono-insert"),
    "import": ("switchwalk import board.net --out my-switcher/module.toml",),
    "run": (
        f"switchwalk run {JOB} --serial OB-0001",
        'switchwalk run JOB --serial OB-0002 --simulate --fault "K3 never operates"',
    ),
    "look": (
        f"switchwalk look {JOB} swap",
        "switchwalk look JOB loop_a+swap --simulate --png look.png",
    ),
    "batch": (
        f"switchwalk batch {JOB} --batch autumn --operator Mara",
        "switchwalk batch JOB --simulate --serials units.txt --faulty 0.2",
    ),
    "bench": (f"switchwalk bench {JOB}", "switchwalk bench JOB --simulate --json"),
    "find": ("switchwalk find", "switchwalk find --host 192.0.2.17:5025"),
    "resume": ("switchwalk resume 12",),
    "reference": (f"switchwalk reference {JOB}",),
    "plan": (f"switchwalk plan {JOB} --steps",),
    "wiring": (f"switchwalk wiring {JOB}", f"switchwalk wiring {JOB} --html wiring.html"),
    "table": (f"switchwalk table {JOB}",),
    "cover": (f"switchwalk cover {JOB}", f"switchwalk cover {JOB} --design-plugs"),
    "units": ("switchwalk units", "switchwalk units OB-0001 --json"),
    "show": ("switchwalk show 12", "switchwalk show 12 --budget"),
    "diagnose": ("switchwalk diagnose 12",),
    "trends": ("switchwalk trends", "switchwalk trends --batch autumn --against-batch spring"),
    "gauge": (
        f"switchwalk gauge {JOB} --golden OB-0100",
        "switchwalk gauge JOB --simulate --units S1,S2,S3 --operators Mara,Ivo",
    ),
    "report": ("switchwalk report 12 --out run-12.html",),
    "export": ("switchwalk export 12 --format csv --out run-12.csv",),
    "site": ("switchwalk site pages",),
    "serve": ("switchwalk serve", "switchwalk serve --port 8080"),
    "certificate": ("switchwalk certificate 12 --pdf",),
    "judge": ("switchwalk judge 12 --sequence tighter.toml",),
    "verify": ("switchwalk verify",),
    "simulate": (f"switchwalk simulate {JOB} --bench-file simulated.toml",),
}


def under_help(name: str) -> str | None:
    """What stands under a command's help; each example on its own line."""
    examples = EXAMPLES.get(name)
    return "\b\nFor example:\n" + "\n".join(f"  {each}" for each in examples) if examples else None
