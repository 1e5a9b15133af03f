#!/bin/sh
# Ends at once but leaves a child that holds the output open.
sh -c 'echo "child $$"; exec sleep 300' &
sleep 0.2
echo done
exit 0
