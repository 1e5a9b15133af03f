package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"sawhorse/bench/fault"
	"sawhorse/bench/nearest"
)

// faultView is what faults prints of one fault, also as JSON.
type faultView struct {
	ID       string              `json:"id"`
	Group    string              `json:"group"`
	Title    string              `json:"title"`
	Cause    string              `json:"cause"`
	Params   []paramView         `json:"params,omitempty"`
	Driver   string              `json:"driver_sees"`
	Codes    []string            `json:"codes"`
	CodesIf  map[string][]string `json:"codes_if,omitempty"`
	Finding  string              `json:"found_by"`
	Mending  string              `json:"mended_by"`
	Cautions []string            `json:"cautions,omitempty"`
}

type paramView struct {
	Name    string `json:"name"`
	Want    string `json:"want"`
	Default any    `json:"default"`
	Text    string `json:"text"`
}

func newFaultsCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "faults [NAME | CODE | WORD ...]",
		Short: "List the fault catalogue, search it, or tell about one fault",
		Long: `Faults lists what can be wrong with the car. With a name it tells about one fault:
its cause, what the driver sees, the codes it brings, how it is found and mended.
With a trouble code it lists the faults that bring it, with words those that are
told of with all of them: what breaks, or what the driver sees.`,
		Example: `  sawhorse faults
  sawhorse faults clutch-unlearned
  sawhorse faults P080A
  sawhorse faults rough idle`,
		RunE: func(cmd *cobra.Command, args []string) error {
			entries := fault.Catalogue()
			if len(args) > 0 {
				if entries = fault.Search(args...); len(entries) == 0 {
					return notFound(strings.Join(args, " "))
				}
			}
			out := cmd.OutOrStdout()
			if asJSON {
				var views []faultView
				for _, e := range entries {
					views = append(views, viewFault(e))
				}
				return printJSON(out, views)
			}
			if len(args) > 0 && len(entries) == 1 {
				printFault(out, viewFault(entries[0]))
				return nil
			}
			listFaults(out, entries)
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

// notFound says what a search may have meant.
func notFound(query string) error {
	return fmt.Errorf("no fault is called %q, brings it as a code or is told of with these words (sawhorse faults lists all %d)%s",
		query, len(fault.IDs()), nearest.Question(query, fault.IDs()))
}

func viewFault(e *fault.Entry) faultView {
	v := faultView{
		ID: e.ID, Group: e.Group, Title: e.Title, Cause: e.Cause, Driver: e.Driver,
		Codes: append([]string{}, e.Codes...), Finding: e.Finding, Mending: e.Mending, Cautions: e.Cautions,
	}
	for _, m := range e.Also {
		if v.CodesIf == nil {
			v.CodesIf = map[string][]string{}
		}
		v.CodesIf[m.If] = append(v.CodesIf[m.If], m.Codes...)
	}
	for _, p := range e.Params {
		v.Params = append(v.Params, paramView{p.Name, p.Want(), p.Default, p.Text})
	}
	return v
}

func listFaults(w io.Writer, entries []*fault.Entry) {
	var id, title int
	for _, e := range entries {
		id, title = max(id, len(e.ID)), max(title, len(e.Title))
	}
	group := ""
	for _, e := range entries {
		if e.Group != group {
			group = e.Group
			fmt.Fprintf(w, "%s\n", group)
		}
		codes := strings.Join(e.Codes, " ")
		for _, m := range e.Also {
			codes += " (" + strings.Join(m.Codes, " ") + ")"
		}
		// The codes come last: some causes have many.
		fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("  %-*s  %-*s  %s", id, e.ID, title, e.Title, codes), " "))
	}
}

func printFault(w io.Writer, v faultView) {
	const width = 88
	part := func(head, text string) {
		if text != "" {
			fmt.Fprintf(w, "\n%s\n%s\n", head, wrap(text, width, "  "))
		}
	}
	fmt.Fprintf(w, "%s  %s\n", v.ID, v.Title)
	part("Cause", v.Cause)
	part("The driver sees", v.Driver)
	codes := strings.Join(v.Codes, " ")
	for _, p := range v.Params {
		if more, ok := v.CodesIf[p.Name]; ok {
			codes += fmt.Sprintf(" and, with %s, %s", p.Name, strings.Join(more, " "))
		}
	}
	part("Codes", codes)
	part("Found by", v.Finding)
	part("Mended by", v.Mending)
	if len(v.Params) > 0 {
		fmt.Fprint(w, "\nParameters\n")
		t := newTable(w, "  ")
		for _, p := range v.Params {
			t.row(p.Name, p.Want, fmt.Sprintf("default %v", p.Default), p.Text)
		}
		t.flush()
	}
	for i, c := range v.Cautions {
		if i == 0 {
			fmt.Fprint(w, "\nCautions\n")
		}
		fmt.Fprintln(w, wrap(c, width, "  "))
	}
}
