#!/bin/sh
# Leaves a child that went into a session of its own with the output open.
setsid sleep 4 &
sleep 0.1
exit 0
