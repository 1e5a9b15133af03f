package main

import (
	"fmt"
	"io"
	"log/slog"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// newRoot builds the command line. Every command lives in a file of its own.
func newRoot() *cobra.Command {
	cfg := newConfig()
	root := &cobra.Command{
		Use:   "sawhorse",
		Short: "A stand-in car on a CAN bus that can be broken on demand",
		Long: `Sawhorse is a car that isn't there. It puts a stand-in car on a CAN bus, breaks
it in a chosen way, lets a diagnostic tool work on it, and says with evidence
whether the tool (or the person holding it) did the right thing.

Every flag can also be set in a configuration file (a section a command) and in
the environment (SAWHORSE_RUN_SEED for run --seed). Flags win over the
environment, the environment over the file. Only --arm is taken from the command line
alone, or for serve and bridge from a file that --config names and nobody else may write.

` + cautions,
		Version:       version(),
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.NoArgs,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
		PersistentPreRunE: func(cmd *cobra.Command, _ []string) error {
			return cfg.apply(cmd)
		},
	}
	root.PersistentFlags().StringVar(&cfg.file, "config", "", "configuration file (YAML); default sawhorse.yaml in this folder, if there")
	root.PersistentFlags().StringVar(&cfg.logLevel, "log-level", "warn", "least important log line shown: debug, info, warn, error")
	root.PersistentFlags().StringVar(&cfg.logFormat, "log-format", "text", "form of log lines on standard error: text, json")
	root.AddCommand(newRunCommand(), newJudgeCommand(), newExplainCommand(), newServeCommand(), newPlayCommand(), newRecordCommand(),
		newInspectCommand(), newBridgeCommand(), newFaultsCommand(), newRulesCommand(), newCarsCommand(), newToolCommand(), newSchemaCommand())
	root.CompletionOptions.HiddenDefaultCmd = true
	return root
}

// cautions stands in the help of every command that can send.
const cautions = `Caution: a CAN frame can move a car, and a learn routine can take an engine to its
limit. Wheels blocked, parking brake set, gearbox in neutral, room ventilated,
nobody under or in front of the car. Follow the maker's procedure, local rules and
qualified practice. On an interface that is not virtual the bench only listens
until it is armed with --arm.`

func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return info.Main.Version + " " + s.Value
		}
	}
	return info.Main.Version
}

// newLogger returns the structured log of the process.
func newLogger(w io.Writer, level, format string) (*slog.Logger, error) {
	var l slog.Level
	if err := l.UnmarshalText([]byte(level)); err != nil {
		return nil, fmt.Errorf("log level %q: want debug, info, warn or error", level)
	}
	opt := &slog.HandlerOptions{Level: l}
	switch format {
	case "text":
		return slog.New(slog.NewTextHandler(w, opt)), nil
	case "json":
		return slog.New(slog.NewJSONHandler(w, opt)), nil
	}
	return nil, fmt.Errorf("log format %q: want text or json", format)
}
