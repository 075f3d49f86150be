"""Tries what SECURITY.md promises and prints one table. usage: trust.py PATENCY SAMPLES [--short]"""

import http.client
import os
import pathlib
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time

from bench import Bench, files, is_gone, until

PATENCY, SAMPLES = sys.argv[1], pathlib.Path(sys.argv[2])
SHORT = "--short" in sys.argv[3:]
SEED = int(os.environ.get("PATENCY_TRUST_SEED", time.time_ns() % 1_000_000))
END = time.monotonic() + (80 if SHORT else 570)
TRACE = (SAMPLES / "slow-rise/trace.csv").read_bytes()
random.seed(SEED)
rows = []


def trial(name, long, short):
    """A row of the table: its function yields once for each thing that it tried and that held."""
    def wrap(function):
        rows.append((name, function, short if SHORT else long))
        return function
    return wrap


class LeftOut(Exception):
    """This cannot be tried here."""


def as_root():
    if os.geteuid() != 0:
        raise LeftOut("only the system's administrator may try this")


def plant(data):
    """Files of others wherever a careless removal would find them."""
    lookalike = "0123456789abcdef" * 4
    outside = data.parent / "outside"
    for path in [data / "thesis.docx", data / "files/notes.txt", data / "files" / lookalike, data / "survey/survey.html",
                 data / "files" / f"{lookalike}.part", data / "files/sub" / lookalike, outside / lookalike]:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"of others: {path.name}")
    for name, to in [("f" * 64, outside / lookalike), ("linked", outside)]:
        (data / "files" / name).symlink_to(to)
    return {path: content for path, content in files(data.parent).items()
            if content.startswith(b"of others") or path.is_symlink()}


def client(bench, known, lock, ended):
    """Gives, reviews, ticks and removes until the workbench is gone; writes down what was acknowledged."""
    while not ended.is_set():
        try:
            content = TRACE + b"\n" * random.randrange(200)
            record = bench.give(f"{random.random()}.csv", content)
            if record is None:
                continue
            with lock:
                known[record] = "given"
            if random.random() < 0.6:
                bench.settled(record)
                bench.post(f"/records/{record}/review")
                if random.random() < 0.5 and bench.settled(record) == "done":
                    with lock:
                        known[record] = "done"
            if random.random() < 0.5:
                with lock:
                    known[record] = "being removed"
                if bench.post(f"/records/{record}/remove") == 303:
                    with lock:
                        known[record] = "removed"
        except (OSError, http.client.HTTPException, AssertionError):
            return


@trial("workbench killed at a random moment, four clients", 100, 10)
def killed_workbench(home, times):
    data = home / "data"
    Bench(PATENCY, data).end()
    planted, known, lock = plant(data), {}, threading.Lock()
    for _ in range(times):
        bench, ended = Bench(PATENCY, data), threading.Event()
        clients = [threading.Thread(target=client, args=(bench, known, lock, ended)) for _ in range(4)]
        for one in clients:
            one.start()
        time.sleep(random.uniform(0, 1.2))
        bench.process.kill()
        ended.set()
        for one in clients:
            one.join()
        bench.end()
        bench = Bench(PATENCY, data)
        for record, state in known.items():
            status = bench.ask("GET", f"/records/{record}")[0]
            wanted = {"removed": [404], "being removed": [200, 404]}.get(state, [200])
            assert status in wanted, f"record {record} was {state}, and now is answered with {status}"
            assert state != "done" or bench.state(record) == "done", f"the review of {record} is lost"
        # Every file is a record's (each has one) or somebody else's: nothing is left over, and none is missing.
        left = [p for p in (data / "files").rglob("*") if p.is_file() and p not in planted]
        listed = bench.records()
        assert len(left) == len(listed), f"{len(left)} files, {len(listed)} records"
        assert all(files(home)[p] == content for p, content in planted.items()), "a file of others changed"
        # Not more and more of them: the rest of the trial would only be slower.
        for record in listed[6:]:
            assert bench.post(f"/records/{record}/remove") == 303
            known[record] = "removed"
        bench.end(signal.SIGTERM)
        yield


@trial("command killed at a random moment", 100, 12)
def killed_command(home, times):
    trace, events = SAMPLES / "filter-loads/trace.csv", SAMPLES / "filter-loads/events.csv"
    commands = {
        "review": ["review", trace, "--events", events, "--out"],
        "export": ["export", trace, "--events", events, "--out"],
        "survey": ["survey", SAMPLES, "--out"],
    }
    wanted, took = {}, {}
    for name, command in list(commands.items()):
        begun = time.monotonic()
        run = subprocess.run([PATENCY, *command, home / name], capture_output=True)
        took[name] = time.monotonic() - begun
        if run.returncode != 0:
            del commands[name]  # these options are another version's
            continue
        wanted[name] = {p.relative_to(home / name): c for p, c in files(home / name).items()}
    assert commands, "no command could be run"
    for turn in range(times):
        name = list(commands)[turn % len(commands)]
        out = home / f"{name}-{turn}"
        process = subprocess.Popen([PATENCY, *commands[name], out], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(random.uniform(0, took[name]))
        process.kill()
        process.wait()
        for path, content in files(out).items():
            inside = path.relative_to(out)
            is_in_between = path.name.startswith(".") or "reviews" in inside.parts
            assert is_in_between or content == wanted[name][inside], f"{inside} of {name} is not whole"
        run = subprocess.run([PATENCY, *commands[name], out], capture_output=True)
        assert run.returncode == 0, f"{name} does not go on after a kill: {run.stderr.decode()}"
        now = {p.relative_to(out): c for p, c in files(out).items() if not p.name.startswith(".")}
        assert now == {p: c for p, c in wanted[name].items() if not p.name.startswith(".")}, f"{name} came out otherwise"
        shutil.rmtree(out)
        yield


@trial("folder of others refused and untouched", 60, 12)
def strangers_folder(home, times):
    names = ["letter.txt", "files/letter.txt", "files/" + "a" * 64, "workbench.sqlite", "workbench.mark", ".hidden",
             "survey/survey.html", "workbench.lock"]
    for turn in range(times):
        data = home / str(turn)
        for name in random.sample(names, random.randint(1, 4)):
            (data / name).parent.mkdir(parents=True, exist_ok=True)
            (data / name).write_bytes(b"of others" * random.randrange(1, 2000))
        before = files(data)
        run = subprocess.run([PATENCY, "serve", "--no-open", "--data", data], capture_output=True, timeout=20)
        assert run.returncode == 1 and b"hint: " in run.stderr, run.stderr.decode()
        assert files(data) == before, "a refused folder was changed"
        yield


@trial("store emptied, cut or overwritten: nothing of the uploads is lost", 60, 8)
def spoilt_store(home, times):
    for turn in range(times):
        data = home / str(turn)
        bench = Bench(PATENCY, data)
        assert bench.settled(bench.give("t.csv", TRACE)) == "understood"
        bench.end(random.choice([signal.SIGKILL, signal.SIGTERM]))
        store = data / "workbench.sqlite"
        content = bytearray(store.read_bytes())
        how = random.choice(["empty", "cut", "noise", "gone"])
        if how == "empty":
            content = b""
        elif how == "cut":
            content = content[:random.randrange(1, len(content))]
        elif how == "noise":
            for _ in range(2000):
                content[random.randrange(len(content))] = random.randrange(256)
        store.unlink() if how == "gone" else store.write_bytes(content)
        uploads = files(data / "files")
        before = files(data)
        try:
            Bench(PATENCY, data).end()
        except AssertionError as refused:
            assert "hint: " in str(refused), refused
            assert files(data) == before, f"{how}: refused, but changed"
        assert files(data / "files") == uploads, f"{how}: an upload was lost"
        yield


@trial("what another account of this machine tries", 1, 1)
def other_account(home, _):
    as_root()
    if not all(shutil.which(tool) for tool in ("useradd", "userdel", "runuser")):
        raise LeftOut("useradd, userdel and runuser are not on this machine")
    name = f"patency-trust-{random.randrange(10**6)}"
    subprocess.run(["useradd", "--no-create-home", name], check=True, capture_output=True)
    try:
        yield from tried_by(name, home)
    finally:
        subprocess.run(["userdel", name], capture_output=True)


def tried_by(name, home):
    def other(*command):
        return subprocess.run(["runuser", "-u", name, "--", *command], capture_output=True, timeout=30)
    os.chmod(home, 0o755)
    data, tools = home / "data", home / "tools"
    data.mkdir(mode=0o777)
    os.chmod(data, 0o777)
    tools.mkdir()
    browser = tools / "xdg-open"
    browser.write_text(f"#!/bin/sh\necho \"$1\" > {home}/opened.part && mv {home}/opened.part {home}/opened\nsleep 60\n")
    browser.chmod(0o755)
    env = {**os.environ, "PATH": f"{tools}:{os.environ['PATH']}", "TMPDIR": str(home)}
    os.umask(0)
    bench = Bench(PATENCY, data, env=env, browser=True, cookie=False)
    os.umask(0o022)
    try:
        until("no browser was started", (home / "opened").exists)
        page = pathlib.Path((home / "opened").read_text().strip())
        key = page.read_text().split("token=")[1].split('"')[0]
        said = other("sh", "-c", "cat /proc/[0-9]*/cmdline /proc/[0-9]*/environ 2>/dev/null | tr '\\0' '\\n'").stdout.decode()
        assert str(page) in said, "the trial looks in the wrong place"
        assert key not in said and bench.token not in said, "a key stands in a command line"
        yield
        for path in (page, page.parent):
            assert other("ls", str(path)).returncode != 0 or path == page.parent and other("cat", str(page)).returncode != 0
            assert other("cat", str(page)).returncode != 0, "the browser's page can be read"
            yield
        status, head, _ = bench.ask("GET", f"/open?token={bench.token}")
        assert status == 200
        bench.cookie = head["set-cookie"].split(";")[0]
        until("the browser's page is left", lambda: not page.exists())
        yield
        bench.reviewed("t.csv", TRACE)
        assert (data / "workbench.sqlite-wal").exists()
        for path in [data, *data.rglob("*")]:
            read = other("ls" if path.is_dir() else "cat", str(path))
            assert read.returncode != 0, f"{path.name} can be read"
            assert other("touch", str(path)).returncode != 0, f"{path.name} can be changed"
            yield
        # A request of its own has no key, and one that was used is of no use.
        ask = (f'exec 3<>/dev/tcp/127.0.0.1/{bench.port}; printf "GET $0 HTTP/1.1\\r\\nHost: 127.0.0.1:{bench.port}\\r\\n\\r\\n" >&3; '
               'read -r _ status _ <&3; echo "$status"')
        for path in ("/", "/records/1", "/records/1/review.json", f"/open?token={bench.token}"):
            answer = other("bash", "-c", ask, path)
            assert answer.stdout.strip() == b"403", f"{path}: {answer}"
            yield
    finally:
        bench.end()


@trial("foreign request", 1, 1)
def foreign(home, _):
    bench = Bench(PATENCY, home / "data")
    record = bench.give("t.csv", TRACE)
    bench.settled(record)
    before = bench.ask("GET", "/")[2]
    own = f"127.0.0.1:{bench.port}"
    paths = ["/", f"/records/{record}", f"/records/{record}/progress", "/survey", "/workbench.css", "/nowhere"]
    tries = []
    for path in paths:
        for host in ["evil.example", f"evil.example:{bench.port}", f"127.0.0.1.evil.example:{bench.port}", "127.0.0.1:1"]:
            tries.append(("GET", path, {"Host": host}))
        for more in [{"Origin": "http://evil.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"},
                     {"Sec-Fetch-Site": "same-site"}, {"Cookie": None}, {"Cookie": f"patency-{bench.port}={'0' * 64}"}]:
            tries.append(("GET", path, more))
    for path in [f"/records/{record}/remove", f"/records/{record}/review", f"/records/{record}/stop", "/records"]:
        for more in [{"Origin": None}, {"Origin": "http://evil.example"}, {"Origin": "null"}, {"Origin": f"https://{own}"},
                     {"Origin": "http://127.0.0.1:1"}, {"Host": "evil.example"}, {"Cookie": None}]:
            tries.append(("POST", path, more))
    for method in ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"]:
        tries.append((method, f"/records/{record}", {}))
    for path in ["/../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/files/", "/workbench.sqlite", "/workbench.mark"]:
        tries.append(("GET", path, {}))
    for method, path, more in tries:
        status, _, body = bench.ask(method, path, more=more)
        assert status in (400, 403, 404, 405), f"{method} {path} {more}: {status}"
        assert b"root:" not in body
        yield
    assert bench.ask("GET", "/")[2] == before, "a foreign request changed something"
    bench.end()


@trial("full disk: start, show, remove", 20, 3)
def full_disk(home, times):
    as_root()
    for turn in range(times):
        disk = home / str(turn)
        disk.mkdir()
        if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", disk], capture_output=True).returncode:
            raise LeftOut("no disk in memory can be mounted here")
        bench = None
        try:
            bench = Bench(PATENCY, disk / "data")
            records = [bench.reviewed("t.csv", TRACE) for _ in range(3)]
            fill(disk)
            if random.random() < 0.5:
                bench.end(random.choice([signal.SIGKILL, signal.SIGTERM]))
                fill(disk)
                bench = Bench(PATENCY, disk / "data")
            assert bench.ask("GET", f"/records/{records[0]}")[0] == 200
            for record in records[:2]:
                assert bench.post(f"/records/{record}/remove") == 303
                assert bench.ask("GET", f"/records/{record}")[0] == 404
                fill(disk)
            assert bench.state(records[2]) == "done"
            assert bench.end(signal.SIGTERM) == 0
            yield
        finally:
            if bench:
                bench.end()
            subprocess.run(["umount", "-l", disk], capture_output=True)


def fill(disk):
    with open(disk / "ballast", "ab", buffering=0) as ballast:
        for size in (1 << 16, 1 << 12, 1):
            try:
                while True:
                    ballast.write(b"x" * size)
            except OSError:
                pass


@trial("signal to the workbench: ends well, nothing half done", 30, 4)
def signals(home, times):
    lasting = {"files", "workbench.lock", "workbench.mark", "workbench.reserve", "workbench.sqlite"}
    for turn in range(times):
        data = home / str(turn)
        bench = Bench(PATENCY, data)
        record = bench.give("t.csv", TRACE)
        bench.settled(record)
        bench.post(f"/records/{record}/review")
        time.sleep(random.uniform(0, 0.4))
        number = random.choice([signal.SIGTERM, signal.SIGINT])
        assert bench.end(number) == 0, f"signal {number}: not ended well"
        assert {p.name for p in data.iterdir()} == lasting, sorted(p.name for p in data.iterdir())
        assert len(list((data / "files").iterdir())) == 1
        yield


@trial("signal while a PDF is made: browser and page gone", 30, 4)
def pdf_signals(home, times):
    browser = home / "chromium"
    browser.write_text("#!/bin/sh\nsleep 600 &\nfor last; do :; done\n"
                       "echo \"$$ $! ${last#file://}\" > \"$SAYS.part\"\nmv \"$SAYS.part\" \"$SAYS\"\nwait\n")
    browser.chmod(0o755)
    for turn in range(times):
        says = home / f"says-{turn}"
        env = {**os.environ, "PATH": f"{home}:/usr/bin:/bin", "SAYS": str(says)}
        process = subprocess.Popen([PATENCY, "review", SAMPLES / "slow-rise/trace.csv", "--pdf", home / "r.pdf"], env=env,
                                   stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until("the browser did not start", says.exists)
        first, second, page = says.read_text().split()
        process.send_signal(random.choice([signal.SIGTERM, signal.SIGINT, signal.SIGKILL]))
        process.wait()
        until("the browser goes on", lambda: is_gone(first) and is_gone(second))
        until("the page is left", lambda: not pathlib.Path(page).parent.exists())
        yield


@trial("record removed: no byte of it in any file", 40, 5)
def removed(home, times):
    data = home / "data"
    bench = Bench(PATENCY, data)
    for turn in range(times):
        word = f"zq{random.randrange(10**9):09}qz"
        record = bench.reviewed(f"{word}-{'night' * random.randrange(30)}.csv", TRACE.replace(b",pn,", f",{word},".encode()))
        has = lambda: any(word.encode() in content for content in files(data).values())
        assert has(), "the trial looks in the wrong place"
        if turn % 3 == 0:
            bench.reviewed("kept.csv", TRACE)
        assert bench.post(f"/records/{record}/remove") == 303
        assert not has(), "a trace of a removed record is left"
        yield
    bench.end()


def main():
    results, worst = [], 0
    for at, (name, function, times) in enumerate(rows):
        # The kills take most of the time; what a row leaves of its own is the later ones'.
        weights = [8 if "killed" in later else 1 for later, _, _ in rows[at:]]
        until_then = time.monotonic() + (END - time.monotonic()) * weights[0] / sum(weights)
        tried, note = 0, ""
        with tempfile.TemporaryDirectory(prefix="patency-trust-") as home:
            try:
                for _ in function(pathlib.Path(home), times):
                    tried += 1
                    if until_then < time.monotonic():
                        note = "" if times in (1, tried) else f"its time was over before {times}"
                        break
                failed = 0
            except LeftOut as why:
                failed, note = 0, f"left out: {why}"
            except Exception as error:  # whatever it is, the other rows are tried all the same
                failed, worst, note = 1, 1, f"FAILED: {type(error).__name__}: {error}"
        results.append((name, tried + failed, tried, failed, note))
        print(f"  {name}: {tried + failed} tried {note}", flush=True)
    print(f"\n{'':66}{'tried':>7}{'survived':>10}{'failed':>8}")
    for name, tried, survived, failed, note in results:
        print(f"{name:66}{tried:7}{survived:10}{failed:8}  {note.splitlines()[0] if note else ''}")
    print(f"seed {SEED}")
    sys.exit(worst)


only = os.environ.get("PATENCY_TRUST_ROW")
rows = [row for row in rows if not only or only in row[0]]

if __name__ == "__main__":
    main()
