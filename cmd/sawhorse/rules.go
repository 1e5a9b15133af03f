package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"sawhorse/bench/judge/report"
	"sawhorse/bench/judge/rules"
)

// ruleView is what rules prints of one rule, also as JSON.
type ruleView struct {
	ID       string `json:"id"`
	Group    string `json:"group"`
	Severity string `json:"severity"`
	Says     string `json:"says"`
	Source   string `json:"source"`
	Why      string `json:"why"`
}

func newRulesCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "rules [ID]",
		Short: "List the rules for every tool, or tell about one",
		Long: `Rules lists how a diagnostic tool has to behave on any car. Every run is judged by
them, whatever its scenario asks for. One that must be kept fails the run, one that
should be kept is advice (run --strict has it fail, too). With an id it tells about
one: where it comes from, and what goes wrong without it. A scenario makes exceptions
with its key rules.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			list := slices.Concat(rules.All(), report.All())
			if len(args) == 1 {
				i := slices.IndexFunc(list, func(r rules.Rule) bool { return r.ID == strings.TrimPrefix(args[0], rules.Prefix) })
				if i < 0 {
					return fmt.Errorf("rule %q: %w; sawhorse rules lists them", args[0], rules.ErrUnknown)
				}
				list = list[i : i+1]
			}
			out := cmd.OutOrStdout()
			if asJSON {
				var views []ruleView
				for _, r := range list {
					views = append(views, ruleView{r.ID, r.Group, r.Severity.String(), r.Says, r.Source, r.Why})
				}
				return printJSON(out, views)
			}
			if len(args) == 1 {
				printRule(out, &list[0])
				return nil
			}
			listRules(out, list)
			return nil
		},
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			return slices.Concat(rules.IDs(), report.IDs()), cobra.ShellCompDirectiveNoFileComp
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func listRules(w io.Writer, list []rules.Rule) {
	wide := 0
	for i := range list {
		wide = max(wide, len(list[i].ID))
	}
	group := ""
	for i := range list {
		r := &list[i]
		if r.Group != group {
			group = r.Group
			fmt.Fprintf(w, "%s\n", group)
		}
		fmt.Fprintf(w, "  %-*s  %-6s  %s\n", wide, r.ID, r.Severity, r.Says)
	}
}

func printRule(w io.Writer, r *rules.Rule) {
	const width = 88
	fmt.Fprintf(w, "%s  (%s, %s)\n%s\n", r.ID, r.Group, r.Severity, wrap(r.Says+".", width, "  "))
	for _, p := range [][2]string{{"Source", r.Source}, {"Why", r.Why}} {
		fmt.Fprintf(w, "\n%s\n%s\n", p[0], wrap(p[1], width, "  "))
	}
}
