package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"github.com/spf13/viper"

	"sawhorse/bench/car/strict"
)

// defaultConfig is read when it is there and no other file was named.
const defaultConfig = "sawhorse.yaml"

// config resolves the settings of a command: flags over environment over file
// over defaults.
type config struct {
	file, logLevel, logFormat string
	v                         *viper.Viper
	doc                       *strict.Doc // nil without a file
	// named says that the file was named on the command line; inFile and info are
	// what it says, and whose it is. Nil without a file.
	named  bool
	inFile *viper.Viper
	info   fs.FileInfo
}

func newConfig() *config { return &config{v: viper.New()} }

// apply fills in the flags that were not given and sets up the log.
func (c *config) apply(cmd *cobra.Command) error {
	c.v.SetEnvPrefix("SAWHORSE")
	c.v.SetEnvKeyReplacer(strings.NewReplacer(".", "_", "-", "_"))
	c.v.AutomaticEnv()
	if err := c.read(cmd); err != nil {
		return err
	}
	if err := c.checkArming(cmd); err != nil {
		return err
	}
	var err error
	visit := func(section string) func(*pflag.Flag) {
		return func(f *pflag.Flag) {
			if err == nil && !f.Changed && f.Name != "help" && f.Name != "config" && f.Name != "version" {
				err = c.fill(section+f.Name, f)
			}
		}
	}
	cmd.InheritedFlags().VisitAll(visit(""))
	cmd.LocalNonPersistentFlags().VisitAll(visit(cmd.Name() + "."))
	if err != nil {
		return err
	}
	log, err := newLogger(cmd.ErrOrStderr(), c.logLevel, c.logFormat)
	if err != nil {
		return err
	}
	slog.SetDefault(log)
	return nil
}

// fill sets one flag from the environment or the file.
func (c *config) fill(key string, f *pflag.Flag) error {
	if !c.v.IsSet(key) {
		return nil
	}
	values := []string{c.v.GetString(key)}
	if _, list := f.Value.(pflag.SliceValue); list {
		values = c.v.GetStringSlice(key)
	}
	for _, s := range values {
		if err := f.Value.Set(s); err != nil {
			return fmt.Errorf("%s: value %q: %w", c.origin(key), s, err)
		}
	}
	return nil
}

// origin says where a setting came from.
func (c *config) origin(key string) string {
	name := variable(key)
	if _, ok := os.LookupEnv(name); ok {
		return "environment variable " + name
	}
	return c.position(key) + ": " + key
}

// read loads the file strictly: a key that no command has is a mistake.
func (c *config) read(cmd *cobra.Command) error {
	c.named = c.file != ""
	if !c.named {
		c.file = defaultConfig
	}
	data, err := c.load()
	if errors.Is(err, fs.ErrNotExist) && !c.named {
		return nil
	}
	if err != nil {
		return fmt.Errorf("configuration: %w", err)
	}
	if isEmpty(string(data)) {
		return nil
	}
	// The bounds of nesting and aliases are looked at before anything else reads it.
	var probe map[string]any
	if c.doc, err = strict.Read(c.file, data, &probe); err != nil {
		return fmt.Errorf("configuration %w", err)
	}
	c.v.SetConfigType("yaml")
	if err := c.v.ReadConfig(bytes.NewReader(data)); err != nil {
		return fmt.Errorf("configuration %s: %w", c.file, err)
	}
	file := viper.New()
	c.inFile = file
	file.SetConfigType("yaml")
	if err := file.ReadConfig(bytes.NewReader(data)); err != nil {
		return fmt.Errorf("configuration %s: %w", c.file, err)
	}
	known := settings(cmd.Root())
	keys := file.AllKeys()
	slices.Sort(keys)
	for _, key := range keys {
		if !slices.Contains(known, key) {
			return fmt.Errorf("%s: unknown setting %q; known are %s", c.position(key), key, strings.Join(known, ", "))
		}
	}
	return nil
}

// isEmpty reports whether a file has comments at most.
func isEmpty(text string) bool {
	for line := range strings.Lines(text) {
		if l := strings.TrimSpace(line); l != "" && l != "---" && l[0] != '#' {
			return false
		}
	}
	return true
}

// load reads the file, and whose it is, from one opening of it.
func (c *config) load() ([]byte, error) {
	f, err := os.Open(c.file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if c.info, err = f.Stat(); err != nil {
		return nil, err
	}
	return io.ReadAll(f)
}

// position finds a setting in the file: file:line:column.
func (c *config) position(key string) string {
	line, column := c.doc.Place("$." + key)
	return fmt.Sprintf("%s:%d:%d", c.file, line, column)
}

// settings lists the keys that a configuration file may have.
func settings(root *cobra.Command) []string {
	var keys []string
	add := func(section string) func(*pflag.Flag) {
		return func(f *pflag.Flag) {
			if f.Name != "help" && f.Name != "config" && f.Name != "version" {
				keys = append(keys, section+f.Name)
			}
		}
	}
	root.PersistentFlags().VisitAll(add(""))
	for _, cmd := range root.Commands() {
		cmd.LocalNonPersistentFlags().VisitAll(add(cmd.Name() + "."))
	}
	slices.Sort(keys)
	return keys
}
