#!/bin/sh
# A check in another language: it finds the corner in CORNERRUN_..., and prints numbers that the plan judges.
# On hardware it would run the board's own bit-error test. Here it draws from the edge that quickstart_board.yaml gives
# for `link errors`; the draw depends on seed, visit and trial alone, so that a run can be repeated.
set -eu

board="${CORNERRUN_DIRECTORY:?start me from a run}/quickstart_board.yaml"
edge=$(sed -n '/^    link errors:/,$ s/.*{rail: VDD_IO, below: \([0-9.]*\) V, spread: \([0-9.]*\) mV}.*/\1 \2/p' "$board")
draw=$(printf '%s %s %s' "$CORNERRUN_SEED" "$CORNERRUN_VISIT" "$CORNERRUN_TRIAL" | cksum | cut -d ' ' -f 1)

printf '%s %s %s\n' "$edge" "$CORNERRUN_VOLTS_VDD_IO" "$draw" | LC_ALL=C awk '
    NF != 4 { print "no edge for VDD_IO in the board file" > "/dev/stderr"; exit 2 }
    {
        u = ($4 + 0.5) / 4294967296
        # A logistic draw with a standard deviation of one: sqrt(3) / pi times its quantile.
        slack = ($3 - $1) / ($2 / 1000) - 0.5513 * log(u / (1 - u))
        errors = (slack > 0) ? 0 : 1 - 3 * slack
        printf "errors=%d\nbits=4e12\n", errors
    }'
