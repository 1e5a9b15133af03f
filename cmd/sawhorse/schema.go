package main

import (
	"github.com/spf13/cobra"

	"sawhorse/bench/report"
	"sawhorse/bench/tool"
	"sawhorse/scenarios"
)

func newSchemaCommand() *cobra.Command {
	schemas := map[string]func() []byte{"scenario": scenarios.Schema, "tool-profile": tool.Schema, "verdicts": report.Schema}
	return &cobra.Command{
		Use:   "schema scenario|tool-profile|verdicts",
		Short: "Print the JSON Schema of a file format",
		Long: `Schema prints the JSON Schema (draft 2020-12) of scenario files or tool profiles, for
editors, or of a line of what run --verdicts writes, for programs that read it.`,
		Args:      cobra.MatchAll(cobra.ExactArgs(1), cobra.OnlyValidArgs),
		ValidArgs: []string{"scenario", "tool-profile", "verdicts"},
		RunE: func(cmd *cobra.Command, args []string) error {
			_, err := cmd.OutOrStdout().Write(schemas[args[0]]())
			return err
		},
	}
}
