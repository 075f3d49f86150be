#!/usr/bin/env bash
# Redoes tests/it/data: needs python3 (with venv) and Rscript with the survival package (Debian: r-base-core r-cran-survival).
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
venv="$root/target/reference-stats-venv"
[ -x "$venv/bin/python" ] || python3 -m venv "$venv"
"$venv/bin/pip" install --quiet --requirement "$here/requirements.txt"
cd "$root/tests/it/data"
"$venv/bin/python" "$here/data.py"
Rscript --vanilla "$here/data.R"
"$venv/bin/python" "$here/reference.py" > reference-python.csv
Rscript --vanilla "$here/reference.R" > reference-r.csv
wc -l ./*.csv
