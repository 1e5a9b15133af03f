#!/bin/sh
# More than any bound.
head -c 18000000 /dev/zero | tr '\0' 'x'
echo
echo end >&2
