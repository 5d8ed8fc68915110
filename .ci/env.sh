# Read by the scripts beside it (". .ci/env.sh"); not run on its own. Sets where things lie and how a missing tool is told.
#
# With CI=true a missing tool is a failure, because a green run that proved less than it says is worse than a red one.
# Elsewhere it is written to $SKIPPED, which `make test` prints last.

ROOT=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
BIN=$ROOT/bin
LOGS=$BIN/lanes
SKIPPED=$BIN/lanes/skipped.txt
STATICCHECK=$BIN/tools/staticcheck
STATICCHECK_VERSION=v0.8.2

# Debian installs Go by hand more often than by package; a login shell knows where, a CI shell may not.
command -v go >/dev/null 2>&1 || PATH=$PATH:/usr/local/go/bin:/usr/lib/go/bin
command -v go >/dev/null 2>&1 || { echo "go is not on PATH, nor in /usr/local/go/bin: install Go first (go.mod says which)" >&2; exit 1; }
export PATH

# missing WHAT WHY: the caller goes on without WHAT, unless this is CI.
missing() {
    if [ "${CI:-}" = true ]; then
        echo "FAIL: $1 is missing: $2 (CI=true, so this is a failure)" >&2
        return 1
    fi
    mkdir -p "$LOGS"
    echo "skipped: $2, because $1 is missing" | tee -a "$SKIPPED" >&2
}

# Packages whose tests wait for real processes, sockets and peers: they are the waiting lane, all others the CPU lane.
WAITING='/internal/(peertest|e2e|crashtest)(/|$)'

# The second independent server. The system's own Python: the packages are installed for that one, and a newer one may come first on
# PATH. pymodbus renames its server classes with every minor version, so it is asked for what the script takes.
has_pymodbus() {
    /usr/bin/python3 -c 'import serial_asyncio, pymodbus; from pymodbus.server.async_io import ModbusSerialServer; assert pymodbus.__version__.startswith("3.0.")' >/dev/null 2>&1
}

has_cc() { command -v cc >/dev/null 2>&1 || command -v gcc >/dev/null 2>&1; }
