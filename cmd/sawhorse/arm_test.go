package main_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Where --arm comes from. There is no such interface, so that a source which is taken
// is told from one that is refused by how far the command comes; what then leaves a
// controller is counted in the kernel lane.
func TestOnlyTheCommandLineArms(t *testing.T) {
	const taken = "can:nosuch0: open"
	dir := t.TempDir()
	write(t, filepath.Join(dir, "in.csv"), "time,id,dlc,data\n0.000000,321,1,00\n")
	for _, c := range []struct {
		name   string
		env    string
		here   string // sawhorse.yaml of the folder
		config string // the file of --config
		mode   os.FileMode
		args   []string
		want   string
	}{
		{name: "flag", args: []string{"play", "in.csv", "--bus", "can:nosuch0", "--arm", "nosuch0"}, want: taken},
		{name: "environment", env: "SAWHORSE_PLAY_ARM=nosuch0", args: []string{"play", "in.csv", "--bus", "can:nosuch0"},
			want: "environment variable SAWHORSE_PLAY_ARM: arming is a flag of this command line"},
		{name: "environment of the daemon", env: "SAWHORSE_SERVE_ARM=nosuch0", args: []string{"serve", "--bus", "can:nosuch0"},
			want: "environment variable SAWHORSE_SERVE_ARM"},
		{name: "environment beside the flag", env: "SAWHORSE_PLAY_ARM=nosuch0",
			args: []string{"play", "in.csv", "--bus", "can:nosuch0", "--arm", "nosuch0"}, want: "environment variable SAWHORSE_PLAY_ARM"},
		{name: "file of the folder", here: "play: {arm: nosuch0}\n", args: []string{"play", "in.csv", "--bus", "can:nosuch0"},
			want: "sawhorse.yaml:1:13: play.arm: arming is a flag"},
		{name: "file of the folder, daemon", here: "serve: {arm: [nosuch0]}\n", args: []string{"serve", "--bus", "can:nosuch0"},
			want: "serve.arm: arming is a flag of this command line, or a line in a file that it names with --config"},
		{name: "file of the folder, other letters", here: "Run: {ARM: nosuch0}\n", args: []string{"run", "healthy", "--bus", "can:nosuch0"},
			want: "run.arm: arming is a flag"},
		{name: "named file", config: "play: {arm: nosuch0}\n", mode: 0o600, args: []string{"play", "in.csv", "--bus", "can:nosuch0"},
			want: "arming is a flag of this command line, want --arm there and nowhere else"},
		{name: "named file of the daemon", config: "serve: {arm: nosuch0}\n", mode: 0o644, args: []string{"serve", "--bus", "can:nosuch0"}, want: taken},
		{name: "that the group may write", config: "serve: {arm: nosuch0}\n", mode: 0o664, args: []string{"serve", "--bus", "can:nosuch0"},
			want: "its mode is -rw-rw-r--"},
		{name: "that anybody may write", config: "bridge: {arm: nosuch0}\n", mode: 0o646, args: []string{"bridge", "--bus", "can:nosuch0", "--far", "can:nosuch1"},
			want: "its mode is -rw-r--rw-"},
		{name: "another interface", args: []string{"play", "in.csv", "--bus", "can:nosuch0", "--arm", "can1"},
			want: "--arm can1: the bus is can:nosuch0"},
		{name: "no interface", args: []string{"play", "in.csv", "--bus", "unix:x", "--arm", "x"}, want: "--arm x: the bus is unix:x"},
	} {
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			here := filepath.Join(dir, "sawhorse.yaml")
			require.NoError(t, os.RemoveAll(here))
			if c.here != "" {
				write(t, here, c.here)
			}
			if c.config != "" {
				file := write(t, filepath.Join(dir, "named.yaml"), c.config)
				require.NoError(t, os.Chmod(file, c.mode))
				c.args = append(c.args, "--config", "named.yaml")
			}
			r := sawhorseWith(t, dir, c.env, c.args...)
			require.Equal(t, 2, r.status, r.out)
			require.Contains(t, r.errout, c.want)
		})
	}
}

// A plan arms nothing: an earlier one that says so is refused, a new one does not say.
func TestAPlanArmsNothing(t *testing.T) {
	dir := t.TempDir()
	r := sawhorse(t, dir, "run", "healthy")
	require.Zero(t, r.status, r.errout)
	file := filepath.Join(dir, "out/healthy/run.json")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NotContains(t, string(text), `"arm"`)
	write(t, file, strings.Replace(string(text), `"bus": "mem:"`, `"bus": "can:nosuch0", "arm": "nosuch0"`, 1))
	r = sawhorse(t, dir, "run", "--again", file)
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, `arm is "nosuch0", and a plan arms no interface: take that line out, and give --arm nosuch0 on the command line`)
}

// sawhorseWith runs the program with one more variable in its environment.
func sawhorseWith(t *testing.T, dir, env string, args ...string) result {
	t.Helper()
	cmd := command(dir, args...)
	if env != "" {
		cmd.Env = append(cmd.Env, env)
	}
	return resultOf(t, cmd)
}
