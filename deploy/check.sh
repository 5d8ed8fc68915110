#!/usr/bin/env bash
# Checks the files beside it with the programs that will read them, one "ok" line each. usage: deploy/check.sh PATH-OF-RILLWATCH
#
# A missing program is a failure with CI=true; elsewhere it is said, and noted where `make test` prints it last.
set -euo pipefail
. "$(dirname "$0")/../.ci/env.sh"
cd "$ROOT/deploy"

binary=$(cd "$ROOT" && realpath "${1:?usage: deploy/check.sh PATH-OF-RILLWATCH}")
EXPOSURE_MAX=20 # tenths: the unit measures 1.6 under systemd 252, without a sandbox it would be 9.2
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
failed=0

# check WHAT COMMAND...: quiet when it is fine, the whole talk when it is not.
check() {
    local what=$1
    shift
    if "$@" >"$work/out" 2>&1; then
        echo "ok      $what"
    else
        echo "FAILED  $what"
        sed 's/^/        /' "$work/out"
        failed=1
    fi
}

# clean COMMAND...: as check wants it, for programs that warn and still end with 0.
clean() { "$@" 2>&1 | tee "$work/talk" && [ ! -s "$work/talk" ]; }

# keeps TEXT FILE: the file says so on a line of its own.
keeps() { grep -qxF -- "$1" "$2" || { echo "$2 does not say $1"; return 1; }; }

unit=$work/rillwatch.service # systemd-analyze takes the unit's name from the file's
sed "s#^Exec\(Start\|Reload\)=/usr/bin/rillwatch #Exec\1=$binary #" rillwatch.service >"$unit"
check "the copy of the unit starts the built binary" grep -q "^ExecStart=$binary run " "$unit"
# What no checker knows: 78 stops the restarts, and 2, the exit of every panic and watchdog kill, must not.
check "the unit restarts after all but a bad configuration" keeps "RestartPreventExitStatus=78" rillwatch.service
check "the unit waits for the daemon's word" keeps "Type=notify" rillwatch.service
check "the unit has a watchdog" keeps "WatchdogSec=30" rillwatch.service
if command -v systemd-analyze >/dev/null 2>&1; then
    check "systemd-analyze verify" clean systemd-analyze verify --man=no "$unit"
    # --offline and --threshold came with systemd 250 (Ubuntu 22.04 still has 249).
    if [ "$(systemd-analyze --version | awk 'NR == 1 { print int($2) }')" -ge 250 ]; then
        check "systemd-analyze security at most $((EXPOSURE_MAX / 10)).$((EXPOSURE_MAX % 10))" \
            systemd-analyze security --offline=true --threshold=$EXPOSURE_MAX --no-pager "$unit"
        grep -oE 'Overall exposure level.*' "$work/out" | sed 's/^/        /' || true
    else
        missing "systemd 250 or later" "the measure of the unit's sandbox" || failed=1
    fi
else
    missing systemd-analyze "the checks of the systemd unit" || failed=1
fi
if command -v systemd-sysusers >/dev/null 2>&1; then
    # Into an empty root: nothing of this machine is touched.
    mkdir -p "$work/root/etc"
    printf 'root:x:0:\ndialout:x:20:\n' >"$work/root/etc/group"
    check "systemd-sysusers makes the user" systemd-sysusers --root="$work/root" "$PWD/rillwatch.sysusers.conf"
    check "the user is in dialout" grep -qE '^dialout:.*:rillwatch$' "$work/root/etc/group"
    # Owners can be given by root only.
    if [ "$(id -u)" = 0 ] && command -v systemd-tmpfiles >/dev/null 2>&1; then
        check "systemd-tmpfiles makes the configuration folder" systemd-tmpfiles --root="$work/root" --create "$PWD/rillwatch.tmpfiles.conf"
        check "the configuration folder has the unit's mode" test "$(stat -c %a "$work/root/etc/rillwatch")" = 750
    fi
else
    missing systemd-sysusers "the checks of the service's user" || failed=1
fi
if command -v promtool >/dev/null 2>&1; then
    check "promtool check config" promtool check config prometheus-scrape.yml
    check "promtool check rules" promtool check rules rillwatch.rules.yml
    check "promtool test rules" promtool test rules rillwatch.rules.test.yml
else
    missing promtool "the checks of the Prometheus files" || failed=1
fi
exit $failed
