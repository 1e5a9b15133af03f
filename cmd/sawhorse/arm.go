package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sawhorse/bench"
	"sawhorse/canbus/busurl"
)

// Sending on an interface behind which there may be a car is for a person to decide,
// each time: --arm is taken from this command line, for a daemon also from a file that
// its command line names and nobody else may write. Whatever else would arm (a settings
// file that lies in the folder, the environment, a plan) is refused by name, as it acts
// when nobody thinks of it.
const armFlag = "arm"

func armFlags(f *pflag.FlagSet, arm *[]string) {
	f.StringSliceVar(arm, armFlag, nil, "physical interface that may be sent on; only here on the command line")
}

// daemons are the commands that are started without a person.
var daemons = []string{"serve", "bridge"}

// checkArming refuses every source of --arm but those.
func (c *config) checkArming(cmd *cobra.Command) error {
	if cmd.LocalFlags().Lookup(armFlag) == nil {
		return nil
	}
	key := cmd.Name() + "." + armFlag
	instead := "arming is a flag of this command line, want --" + armFlag + " there and nowhere else"
	if slices.Contains(daemons, cmd.Name()) {
		instead = "arming is a flag of this command line, or a line in a file that it names with --config"
	}
	if name := variable(key); os.Getenv(name) != "" {
		return fmt.Errorf("environment variable %s: %s", name, instead)
	}
	if c.inFile == nil || !c.inFile.IsSet(key) {
		return nil
	}
	if !c.named || !slices.Contains(daemons, cmd.Name()) {
		return fmt.Errorf("%s: %s: %s", c.position(key), key, instead)
	}
	if err := ownedAlone(c.info); err != nil {
		return fmt.Errorf("%s: %s: a file that arms must be owned by root or by the user of this process, and nobody else may write it: %w", c.position(key), key, err)
	}
	return nil
}

// variable is the environment variable of a setting.
func variable(key string) string {
	return "SAWHORSE_" + strings.ToUpper(strings.NewReplacer(".", "_", "-", "_").Replace(key))
}

// checkArmed finds an armed interface that is none of the command's buses: a slip of
// the keyboard, which would leave the bus meant unarmed.
func checkArmed(arm []string, urls ...string) error {
	for _, name := range arm {
		if !slices.ContainsFunc(urls, func(url string) bool {
			u, err := busurl.Parse(url)
			return err == nil && u.Physical() == name
		}) {
			return fmt.Errorf("--arm %s: the bus is %s, want the interface of can:IFACE", name, strings.Join(urls, " and "))
		}
	}
	return nil
}

// tellSilent says on which buses nothing is sent, and what to do about it.
func tellSilent(w io.Writer, b *bench.Bench) {
	for _, why := range b.Silent() {
		fmt.Fprintf(w, "listening only: %v\n", unarmed(why))
	}
}

// refuseSilent is the mistake of sending on a bus on which nothing is sent.
func refuseSilent(b *bench.Bench) error {
	var errs []error
	for _, why := range b.Silent() {
		errs = append(errs, unarmed(why))
	}
	return errors.Join(errs...)
}

func unarmed(why error) error { return fmt.Errorf("%w, with --arm IFACE on the command line", why) }
