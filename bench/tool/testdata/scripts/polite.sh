#!/bin/sh
# Ends with status 5 when told to.
trap 'echo leaving; exit 5' TERM
echo ready
while :; do sleep 0.02; done
