#!/bin/sh
kill -USR1 $$
sleep 5
