"""What makes the figures that the bars are held against: one command in two sizes for each source.

A command begins with `python`, `pytest` (before it, perhaps, settings of the environment) or `bash`.
"""

from __future__ import annotations

from bars_model import Source

HOUR = 3600.0


def benchmark(script: str, short: str, full: str, patience: float = 600.0) -> Source:
    return Source(f"python benchmarks/{script} {short}".strip(), f"python benchmarks/{script} {full}".strip(), patience)


def pytest(paths: str, patience: float = 900.0) -> Source:
    """The same tests in both sizes, with their heavy counts in the full one."""
    return Source(f"pytest {paths}", f"BENCHRIG_HEAVY=1 pytest {paths}", patience)


def trims(part: str, short: int, full: int = 500) -> Source:
    return benchmark("bars_of_trims.py", f"{part} --runs {short}", f"{part} --runs {full}", 2 * HOUR)


SOURCES: dict[str, Source] = {
    # The main job.
    "clean machine": Source("", "bash .ci/run", HOUR),
    "rehearsal": benchmark("rehearsal_seeds.py", "--runs 2", "--runs 10", HOUR),
    "no kilovolts": pytest("tests/rehearsal/test_no_kilovolts_unasked.py tests/rehearsal/test_at_the_terminal.py"),
    "poll rate": benchmark("poll_rate.py", "--seconds 2", "--seconds 10"),
    "lost links": pytest("tests/rehearsal/test_lost_links.py"),
    "bad files": pytest(
        "tests/rehearsal/test_refusals.py tests/procedure/test_reading_procedures.py tests/procedure/test_soak_files.py"
        " tests/bench/test_bench_file.py tests/test_tomlfile.py"
    ),
    # Instruments.
    "strangers": pytest("tests/strangers tests/drivers/test_independent_decoders.py"),
    "frames": pytest(
        "tests/drivers/test_serial_decoders.py tests/wire/test_frames.py tests/sim_instruments/test_serial_frames.py"
    ),
    "noise": pytest("tests/drivers/test_noise.py", patience=HOUR),
    "fuzz": pytest("tests/sim_instruments/test_scpi_fuzz.py", patience=2 * HOUR),
    "late answers": pytest(
        "tests/drivers/test_late_on_serial.py tests/drivers/test_asked_meters.py tests/drivers/test_scopes.py"
        " tests/links/test_scpi_port.py tests/drivers/test_on_real_lines.py -k late"
    ),
    "freshness": pytest(
        "tests/bench tests/drivers/test_streamed_meters.py tests/links/test_frame_port.py"
        " tests/drivers/test_on_real_lines.py -k 'stale or backlog'"
    ),
    "waveform": benchmark("waveform_rate.py", "--turns 5", "--turns 15"),
    "brown-outs": pytest("tests/bench tests/drivers -k 'brown_out'"),
    # Signals and judgement.
    "outside": pytest(
        "tests/signals/test_closed_forms.py tests/signals/test_levels_and_hum.py tests/judgement"
        " tests/test_common_practice.py"
    ),
    "honesty": benchmark("signals_coverage.py", "--records 500", "--records 2000"),
    "bound": benchmark("signals_bound.py", "--records 10", "--records 60"),
    "signals speed": benchmark("signals_speed.py", "--repeats 5", "--repeats 15"),
    "bad records": pytest("tests/signals/test_bad_records.py tests/signals/test_any_record.py"),
    # Trims.
    "cues": trims("cues", 100),
    "false": trims("false", 30),
    "scratchy": trims("scratchy", 40),
    "sweep": trims("sweep", 40),
    "least": trims("least", 40),
    "coupled": trims("coupled", 40),
    "counted": trims("counted", 200),
    "latency": benchmark("cue_latency.py", "--seconds 3", "--seconds 30"),
    "never accepts": pytest("tests/trim/test_engine_machine.py tests/session/test_nothing_else_accepts.py"),
    # The whole job.
    "restorations": benchmark("restore_seeds.py", "--runs 5", "--runs 50", 3 * HOUR),
    "right unit": pytest("tests/session/test_whole_job.py -k 'right_is_not_touched'"),
    "what disturbs what": pytest("tests/session/test_plan.py"),
    "walks": pytest(
        "tests/session/test_session_machine.py tests/session/test_session_walks.py tests/holdpoint", patience=HOUR
    ),
    "killed": pytest("tests/rehearsal/test_killed.py", patience=2 * HOUR),
    "report": pytest("tests/report"),
    # Burn-in.
    "days": benchmark("soak_days.py", "--hours 72", "--hours 72", HOUR),
    "chaos": benchmark("soak_chaos.py", "--minutes 0.5 --every 4", "--minutes 10 --every 10", HOUR),
    "trouble": pytest("tests/rehearsal/test_soak_process.py tests/records/test_trouble.py", patience=HOUR),
    "shop": benchmark("store_shop.py", "--benches 40 --seconds 15", "--benches 200 --seconds 60"),
    "page": pytest("tests/dashboard/test_server.py"),
    "viewers": benchmark("dashboard_viewers.py", "--seconds 1", "--seconds 10"),
    "alarms": pytest("tests/rehearsal/test_alarms_process.py tests/alarms"),
    # The code.
    "shape": benchmark("code_shape.py", "", ""),
    "mutants": Source("", "python benchmarks/mutants.py --all", 6 * HOUR),
    "coverage": Source(
        "",
        "python benchmarks/code_coverage.py",
        3 * HOUR,
        "no coverage data: --coverage FILE, or --full, which runs the suite for it",
        takes_coverage=True,
    ),
}
