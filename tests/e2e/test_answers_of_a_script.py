"""A script that answers at a question: what it gives is taken, what is wrong ends the run safely and soon."""

import os

import forked

SEQUENCE = """sequence: asks for a number
type sheet: current-isolator
cautions: [none here]
steps:
  - ask: {text: "What is the ambient temperature?", answer: number, unit: degC, output: on}
  - traverse: {points: 2, cycles: 1, readings: 1}
"""


def ran(folder, answers):
    (folder / "own.yaml").write_text(SEQUENCE)
    arguments = ("run", "own.yaml", "--bench", "simulated", "--serial", "WT-7", "--confirm")
    return forked.run(arguments, cwd=folder, env=dict(os.environ), answers=answers, timeout_s=120)


def test_wrong_answers_without_end_end_the_run_with_what_to_do(tmp_path):
    done = ran(tmp_path, "yes\n" * 10_000)
    assert done.returncode == 130  # as where nobody is there to answer
    assert "was answered wrong 5 times" in done.stderr
    assert "do: answer at a terminal" in done.stderr
    assert "source is at its safe level" in done.stderr
    assert len(done.stderr.splitlines()) < 60


def test_a_right_answer_after_wrong_ones_is_taken(tmp_path):
    done = ran(tmp_path, "warm\n\n23.4\n")
    assert "complete: all 6 points taken" in done.stderr


def test_verify_of_a_batch_is_that_of_each_of_its_records(tmp_path):
    (tmp_path / "serials.txt").write_text("A1\nA2\n")
    own = {"cwd": tmp_path, "env": dict(os.environ), "timeout_s": 200}
    batch = ("batch", "voltage-to-current", "--bench", "simulated-batch", "--serials-from", "serials.txt", "--confirm")
    assert forked.run(batch, **own).returncode == 0
    (folder,) = (tmp_path / "results").glob("*batch-of-2*")
    done = forked.run(("verify", str(folder)), **own)
    assert done.returncode == 0
    assert done.stdout.count(": intact") == 2
    assert "is a batch of 2 units: the record of each is verified" in " ".join(done.stderr.split())
    (journal,) = (tmp_path / "results").glob("*_A2_*/journal.jsonl")
    journal.write_text(journal.read_text().replace("A2", "A3"))
    done = forked.run(("verify", str(folder)), **own)
    assert done.returncode == 1
    assert "without a record, or with one that is of another unit now: A2" in " ".join(done.stderr.split())
