"""A workbench of its own for each trial, and a browser reduced to what is sent and what comes back."""

import http.client
import os
import pathlib
import re
import signal
import subprocess
import time

BOUNDARY = "----boundary-7c1f"


class Bench:
    """A running workbench that has let this client in."""

    def __init__(self, program, data, options=(), env=None, browser=False, cookie=True):
        quiet = [] if browser else ["--no-open"]
        self.process = subprocess.Popen(
            [program, "serve", *quiet, "--data", str(data), *options],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env)
        line = self.process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/open\?token=(\w+)", line)
        if not found:
            self.process.kill()
            raise AssertionError(f"the workbench did not start: {line}{self.process.stderr.read()}")
        self.port, self.token = int(found[1]), found[2]
        self.cookie = ""
        if cookie:
            _, head, _ = self.ask("GET", f"/open?token={self.token}")
            self.cookie = head.get("set-cookie", "").split(";")[0]
            assert self.cookie, "the address did not let in"

    def ask(self, method, path, body=b"", kind=None, more=None, cookie=None):
        """Status, headers and body of an answer. A broken connection is OSError or HTTPException."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        headers = {"Cookie": self.cookie if cookie is None else cookie}
        if method == "POST":
            headers["Origin"] = f"http://127.0.0.1:{self.port}"
            headers["Content-Type"] = kind or "application/x-www-form-urlencoded"
        headers.update(more or {})
        try:
            connection.request(method, path, body, {k: v for k, v in headers.items() if v is not None})
            answer = connection.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            connection.close()

    def give(self, name, content):
        """Gives a file; the number of its record, or None where it was refused."""
        head = f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n'
        body = head.encode() + content + f"\r\n--{BOUNDARY}--\r\n".encode()
        status, headers, _ = self.ask("POST", "/records", body, f"multipart/form-data; boundary={BOUNDARY}")
        return int(headers["location"].rsplit("/", 1)[1]) if status == 303 else None

    def post(self, path, form=""):
        return self.ask("POST", path, form.encode())[0]

    def state(self, record):
        found = re.search(rb'"state":"(\w+)"', self.ask("GET", f"/records/{record}/progress")[2])
        return found[1].decode() if found else "none"

    def settled(self, record, seconds=60):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            state = self.state(record)
            if state not in ("reading", "waiting", "reviewing"):
                return state
            time.sleep(0.05)
        raise AssertionError(f"record {record} is busy for {seconds} s")

    def records(self):
        """The numbers of all records, newest first."""
        found = []
        while True:
            page = self.ask("GET", f"/?from={len(found)}")[2]
            more = [int(n) for n in re.findall(rb'<th scope="row"><a href="/records/(\d+)"', page)]
            if not more:
                return found
            found += more

    def reviewed(self, name, content):
        record = self.give(name, content)
        assert record, "the file was not taken"
        assert self.settled(record) == "understood"
        assert self.post(f"/records/{record}/review") == 303
        assert self.settled(record) == "done"
        return record

    def end(self, number=signal.SIGKILL):
        """Ends it; its status."""
        if self.process.poll() is None:
            self.process.send_signal(number)
        try:
            status = self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            status = None
        self.process.stdout.close()
        self.process.stderr.close()
        return status


def files(folder):
    """Every file and link below a folder, with what it holds."""
    found = {}
    for path in sorted(pathlib.Path(folder).rglob("*")):
        if path.is_symlink():
            found[path] = os.readlink(path).encode()
        elif path.is_file():
            found[path] = path.read_bytes()
    return found


def is_gone(pid):
    try:
        return pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z"
    except OSError:
        return True


def until(what, is_so, seconds=20):
    end = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < end, what
        time.sleep(0.02)
