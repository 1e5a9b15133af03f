package main

import (
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"sawhorse/bench/car"
	"sawhorse/bench/ecu/app"
	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/report"
	"sawhorse/bench/tool"
	"sawhorse/scenarios"
)

// schemas are the file formats that have a JSON Schema.
var schemas = map[string]func() []byte{
	"scenario": scenarios.Schema, "tool-profile": tool.Schema, "verdicts": report.Schema,
	"car": car.Schema, "circuits": car.CircuitsSchema, "unit": spec.Schema,
	"calibration": app.CalibrationSchema, "shift-points": app.ShiftPointsSchema,
}

func newSchemaCommand() *cobra.Command {
	names := slices.Sorted(maps.Keys(schemas))
	return &cobra.Command{
		Use:   "schema " + strings.Join(names, "|"),
		Short: "Print the JSON Schema of a file format",
		Long: `Schema prints the JSON Schema (draft 2020-12) of scenario files, tool profiles or the
files of a car (car.yaml, circuits.yaml, the file of a unit, of the engine ECU's numbers and
of the gearbox ECU's), for editors, or of a line of what run --verdicts writes, for programs
that read it.`,
		Args:      cobra.MatchAll(cobra.ExactArgs(1), cobra.OnlyValidArgs),
		ValidArgs: names,
		RunE: func(cmd *cobra.Command, args []string) error {
			_, err := cmd.OutOrStdout().Write(schemas[args[0]]())
			return err
		},
	}
}
