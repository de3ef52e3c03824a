"""Runs in the guest: executes the Python that comes in, line by line, and says what came of it."""

import json
import sys
import termios
import traceback
import tty


def main() -> None:
    tty.setraw(sys.stdin, termios.TCSANOW)
    names: dict[str, object] = {}
    _say({"result": "listening"})
    for line in sys.stdin:
        try:
            exec(json.loads(line), names)
            _say({"result": names.get("result")})
        except BaseException:  # noqa: BLE001 - whatever it is, the test has to know
            _say({"error": traceback.format_exc()})


def _say(answer: object) -> None:
    print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
