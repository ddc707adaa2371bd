#!/bin/sh
# Programs that only tests need: ngspice (a third solver of the circuits), chromium (renders the pages), socat (makes
# serial ports) and PostgreSQL's server (stores records; Debian installs its programs outside the path).
missing=""
command -v ngspice >/dev/null 2>&1 || missing="$missing ngspice"
command -v chromium >/dev/null 2>&1 || command -v chromium-browser >/dev/null 2>&1 || missing="$missing chromium"
command -v socat >/dev/null 2>&1 || missing="$missing socat"
command -v initdb >/dev/null 2>&1 || ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || missing="$missing postgresql"
[ -z "$missing" ] && exit 0
if command -v apt-get >/dev/null 2>&1; then
    if [ "$(id -u)" = 0 ]; then as_root=""; elif sudo -n true 2>/dev/null; then as_root="sudo -n"; else as_root="no"; fi
    if [ "$as_root" != no ]; then
        echo "installing for the tests:$missing"
        $as_root apt-get update -qq >/dev/null 2>&1
        # shellcheck disable=SC2086
        if DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -qq $missing >/dev/null 2>&1; then exit 0; fi
    fi
fi
echo "The tests that need these programs are skipped. On a Debian-like machine this installs them:"
echo "    sudo apt-get install$missing"
exit 0
