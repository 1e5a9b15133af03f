package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sawhorse/bench"
	"sawhorse/bench/car"
	"sawhorse/bench/ecu/server"
	"sawhorse/bench/ecu/spec"
	ecu "sawhorse/bench/ecu/unit"
)

// carView is what cars prints of one car, also as JSON.
type carView struct {
	Name    string       `json:"name"`
	Title   string       `json:"title"`
	About   string       `json:"about"`
	VIN     string       `json:"vin"`
	ECUs    []ecuView    `json:"ecus"`
	Buses   []busView    `json:"buses"`
	Signals []signalView `json:"signals"`
}

type ecuView struct {
	Name     string `json:"name"`
	Title    string `json:"title"`
	Request  string `json:"request"`
	Response string `json:"response"`
	// Services are those of the unit with their sessions and locks.
	Services []serviceView `json:"services"`
	// Absent are the PIDs it does not have, and why.
	Absent []string `json:"absent_pids,omitempty"`
	manual
}

type serviceView struct {
	Service  string   `json:"service"`
	Name     string   `json:"name"`
	Subs     []string `json:"sub_functions,omitempty"`
	Sessions []string `json:"sessions,omitempty"`
	Security uint8    `json:"security_level,omitempty"`
	// Locked are its identifiers, outputs or routines that need a lock of their own.
	Locked string `json:"locked,omitempty"`
}

type busView struct {
	Name     string        `json:"name"`
	BitRate  int           `json:"bit_rate"`
	DataRate int           `json:"data_bit_rate,omitempty"`
	File     string        `json:"dbc,omitempty"`
	Messages []messageView `json:"messages"`
}

type messageView struct {
	ID     string  `json:"id"`
	Name   string  `json:"name"`
	Unit   string  `json:"unit"`
	Period float64 `json:"period_s"`
	Text   string  `json:"text"`
}

type signalView struct {
	Name string `json:"name"`
	Unit string `json:"unit,omitempty"`
	Text string `json:"text"`
}

func newCarsCommand() *cobra.Command {
	var asJSON bool
	var folders []string
	var export string
	cmd := &cobra.Command{
		Use:   "cars [NAME [UNIT] | --export NAME FOLDER]",
		Short: "List the stand-in cars, or tell about one",
		Long: `Cars lists the stand-in cars. With a name it tells about one what the author of a tool
must know: its control units with their identifiers, services, sessions, locks and the rule
of their keys, data identifiers, outputs, routines with what they refuse and how they end,
codes; the periodic messages that they send; and the signals that conditions in scenarios
can use. With the name of a unit as well it tells about that unit alone.

With --cars it takes cars from a folder, too, and checks everything about them: a
mistake is told with file, line and column.

With --export NAME it writes that car as a folder, to make one of your own from. The new
car has the folder's name; a folder that is there is left alone.`,
		Example: `  sawhorse cars auklet-18
  sawhorse cars auklet-18 gearbox
  sawhorse cars --export auklet-18 my-cars/puddle-jumper
  sawhorse cars --cars my-cars
  sawhorse cars --cars my-cars/puddle-jumper puddle-jumper`,
		Args: cobra.MaximumNArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := useCars(folders); err != nil {
				return err
			}
			if export != "" {
				return exportCar(cmd.OutOrStdout(), export, args)
			}
			names := car.Names()
			if len(args) > 0 {
				names = args[:1]
			}
			var views []carView
			for _, name := range names {
				v, err := viewCar(name)
				if err != nil {
					return err
				}
				views = append(views, v)
			}
			if len(args) == 2 {
				if err := views[0].only(args[1]); err != nil {
					return err
				}
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), views)
			}
			for _, v := range views {
				v.print(cmd.OutOrStdout(), len(args) > 0)
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	cmd.Flags().StringVar(&export, "export", "", "write this car as a folder, which must not be there")
	carsFlag(cmd.Flags(), &folders)
	return cmd
}

// exportCar writes a car as a folder.
func exportCar(w io.Writer, name string, args []string) error {
	spec, err := car.Find(name)
	switch {
	case err != nil:
		return err
	case len(args) != 1:
		return fmt.Errorf("--export %s: no folder, want the one to write", name)
	}
	if err := car.Export(spec, args[0]); err != nil {
		return err
	}
	fmt.Fprintf(w, "%s has the %d files of %s; sawhorse cars --cars %[1]s checks it\n", args[0], len(spec.Files()), spec.Name)
	return nil
}

// carsFlag adds the flag that takes cars from folders.
func carsFlag(f *pflag.FlagSet, folders *[]string) {
	f.StringSliceVar(folders, "cars", nil, "folders of cars beside the built-in ones: a car's own, or one with several")
}

// useCars takes the cars of folders and builds each once, which checks all of its files.
func useCars(folders []string) error {
	for _, dir := range folders {
		found, err := car.Use(dir)
		if err != nil {
			return err
		}
		for _, s := range found {
			b, err := bench.New(bench.Settings{Car: s.Name})
			if err != nil {
				return err
			}
			if err := b.Close(); err != nil {
				return err
			}
		}
	}
	return nil
}

func viewCar(name string) (carView, error) {
	spec, err := car.Find(name)
	if err != nil {
		return carView{}, err
	}
	v := carView{Name: spec.Name, Title: spec.Title, About: strings.TrimSpace(spec.Text), VIN: spec.Identity.VIN}
	units, err := ecu.Specs(spec)
	if err != nil {
		return v, err
	}
	for _, u := range units {
		digits := "%03X"
		if u.Addresses.Extended {
			digits = "%08X"
		}
		v.ECUs = append(v.ECUs, ecuView{u.Name, u.Title, fmt.Sprintf(digits, u.Addresses.Request), fmt.Sprintf(digits, u.Addresses.Response),
			viewServices(u), u.AbsentPIDs(), manualOf(u)})
	}
	for i := range spec.Buses {
		v.Buses = append(v.Buses, viewBus(spec, &spec.Buses[i], units))
	}
	for _, s := range spec.Signals() {
		v.Signals = append(v.Signals, signalView{s.Name, s.Unit, s.Text})
	}
	return v, nil
}

func viewServices(u *spec.Unit) []serviceView {
	var views []serviceView
	for _, row := range server.Table(u) {
		x := serviceView{Service: fmt.Sprintf("%02X", row.Service), Name: row.Name, Sessions: row.In, Security: row.Security,
			Locked: lockedItems(u, row.Service)}
		for _, sub := range row.Subs {
			x.Subs = append(x.Subs, fmt.Sprintf("%02X", sub))
		}
		views = append(views, x)
	}
	return views
}

// print tells the services of a unit as a table.
func (u *ecuView) print(w io.Writer) {
	fmt.Fprintf(w, "\nServices of %s (sub-functions, sessions, lock)\n", u.Name)
	t := newTable(w, "  ")
	for _, x := range u.Services {
		in, lock := "any", ""
		if len(x.Sessions) > 0 {
			in = strings.Join(x.Sessions, ", ")
		}
		if x.Security != 0 {
			lock = fmt.Sprintf("level %d", x.Security)
		}
		if x.Locked != "" {
			lock = strings.TrimPrefix(lock+"; "+x.Locked, "; ")
		}
		t.row(x.Service, x.Name, strings.Join(x.Subs, " "), in, lock)
	}
	t.flush()
	if len(u.Absent) > 0 {
		fmt.Fprintf(w, "\nPIDs that %s does not have\n", u.Name)
		for _, line := range u.Absent {
			fmt.Fprintf(w, "  %s\n", line)
		}
	}
	u.manual.print(w, u.Name)
}

// only leaves the unit of a name, and nothing else of the car.
func (v *carView) only(unit string) error {
	var names []string
	for i := range v.ECUs {
		if v.ECUs[i].Name == unit {
			v.ECUs, v.Buses, v.Signals = v.ECUs[i:i+1], nil, nil
			return nil
		}
		names = append(names, v.ECUs[i].Name)
	}
	return fmt.Errorf("the car %s has no unit %q, want one of %s", v.Name, unit, strings.Join(names, ", "))
}

// viewBus tells the messages that the car's units send on a bus.
func viewBus(spec *car.Spec, b *car.BusSpec, units []*spec.Unit) busView {
	v := busView{Name: b.Name, BitRate: b.BitRate, DataRate: b.DataBitRate, File: b.File, Messages: []messageView{}}
	if b.Network() == nil {
		return v
	}
	for _, m := range b.Network().Messages {
		for _, u := range units {
			if u.Network.Node == m.Sender && (u.Network.Bus == "" || u.Network.Bus == b.Name) {
				v.Messages = append(v.Messages, messageView{m.Key.String(), m.Name, u.Name, m.CycleTime.Seconds(), m.Comment})
			}
		}
		if by := gatewayOf(spec, b, m.Name); by != "" {
			v.Messages = append(v.Messages, messageView{m.Key.String(), m.Name, by, m.CycleTime.Seconds(), m.Comment})
		}
	}
	return v
}

// gatewayOf is the gateway that sends a message on the bus behind it.
func gatewayOf(spec *car.Spec, b *car.BusSpec, message string) string {
	for i := range spec.Gateways {
		g := &spec.Gateways[i]
		for k := range g.Routes {
			if r := &g.Routes[k]; g.Far == b.Name && r.To == b.Name && r.Target() == message {
				return g.Unit
			}
		}
	}
	return ""
}

func (v *carView) print(w io.Writer, whole bool) {
	fmt.Fprintf(w, "%s  %s\n", v.Name, v.Title)
	if !whole {
		return
	}
	fmt.Fprintf(w, "\n%s\n\nVIN %s\n\nControl units (asked on, answering on)\n", v.About, v.VIN)
	t := newTable(w, "  ")
	for _, u := range v.ECUs {
		t.row(u.Name, u.Request, u.Response, u.Title)
	}
	t.flush()
	for i := range v.ECUs {
		v.ECUs[i].print(w)
	}
	if slices.ContainsFunc(v.ECUs, func(u ecuView) bool { return len(u.Locks) > 0 }) {
		fmt.Fprintf(w, "\n%s\n", keyRule)
	}
	for _, b := range v.Buses {
		rate := fmt.Sprintf("%d kbit/s", b.BitRate/1000)
		if b.DataRate > 0 {
			rate = fmt.Sprintf("CAN FD, %s and %d kbit/s", rate, b.DataRate/1000)
		}
		fmt.Fprintf(w, "\nBus %s, %s: periodic messages (unit, period)\n", b.Name, rate)
		for _, m := range b.Messages {
			t.row(m.ID, m.Name, m.Unit, fmt.Sprintf("%g ms", 1000*m.Period), m.Text)
		}
		t.flush()
	}
	if len(v.Signals) > 0 {
		fmt.Fprint(w, "\nSignals\n")
	}
	for _, s := range v.Signals {
		t.row(s.Name, s.Unit, s.Text)
	}
	t.flush()
}

// printJSON writes a document for machines.
func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}
