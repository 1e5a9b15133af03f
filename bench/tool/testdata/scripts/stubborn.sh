#!/bin/sh
# Ignores TERM, has a child that ignores it too, and says who they are.
trap '' TERM
sh -c 'trap "" TERM; echo "child $$"; while :; do sleep 0.05; done' &
echo "parent $$"
while :; do sleep 0.05; done
