package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"sort"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"github.com/spf13/viper"

	"gearwitness/signals/diag"
)

// typedOnly marks a flag that is obeyed on the command line alone, so that it is
// asked for anew each time.
const typedOnly = "typed only"

// applySettings gives every flag that was not typed the value that the
// environment (GEARWITNESS_*) or the configuration file has for it, so that all
// three mean the same and commands look at their flags alone. The order of
// precedence is flag, environment, file.
func applySettings(cmd *cobra.Command, env func(string) (string, bool)) error {
	v := viper.New()
	v.SetEnvPrefix("GEARWITNESS")
	v.SetEnvKeyReplacer(strings.NewReplacer("-", "_"))
	v.AutomaticEnv()
	path, _ := cmd.Flags().GetString("config")
	if path == "" {
		path, _ = env("GEARWITNESS_CONFIG")
	}
	if path != "" {
		if err := readSettings(v, path); err != nil {
			return usagef("configuration file %s cannot be used: %w", path, err)
		}
		if err := knownSettings(cmd, path, v.AllKeys()); err != nil {
			return err
		}
	}
	var err error
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		if err != nil || f.Changed || f.Name == "help" || f.Name == "config" || !v.IsSet(f.Name) {
			return
		}
		if _, typed := f.Annotations[typedOnly]; typed {
			err = usagef("%s cannot be set in the environment or the configuration file; give --%s on the command line each time", f.Name, f.Name)
			return
		}
		where := fmt.Sprintf("setting %q (from %s or the configuration file)", f.Name, variable(f.Name))
		values := []string{v.GetString(f.Name)}
		if _, many := f.Value.(pflag.SliceValue); many {
			values = v.GetStringSlice(f.Name)
		} else if kind := reflect.ValueOf(v.Get(f.Name)).Kind(); kind == reflect.Slice || kind == reflect.Map {
			err = usagef("%s: expected one value, found %v", where, v.Get(f.Name))
			return
		}
		for _, value := range values {
			if e := cmd.Flags().Set(f.Name, value); e != nil {
				err = usageError{fmt.Errorf("%s: %w", where, flagError(cmd, e))}
			}
		}
	})
	return err
}

// settingsBytes is the most that a configuration file may have.
const settingsBytes = 1 << 20

func readSettings(v *viper.Viper, path string) error {
	kind := strings.TrimPrefix(filepath.Ext(path), ".")
	if !slices.Contains([]string{"yaml", "yml", "toml", "json"}, kind) {
		return errors.New("its name must end in .yaml, .toml or .json")
	}
	file, err := os.Open(path)
	if err != nil {
		return plainFileError(err)
	}
	defer file.Close()
	v.SetConfigType(kind)
	err = v.ReadConfig(io.LimitReader(file, settingsBytes))
	if parse := (viper.ConfigParseError{}); errors.As(err, &parse) {
		err = parse.Unwrap()
	}
	return plainFileError(err)
}

// variable is the environment's name for a flag.
func variable(flag string) string {
	return "GEARWITNESS_" + strings.ToUpper(strings.ReplaceAll(flag, "-", "_"))
}

// hintMisspelt tells of variables of the environment that no setting has but
// that look like one that was meant.
func hintMisspelt(cmd *cobra.Command, environ []string, w io.Writer) {
	var names []string
	for flag := range flagNames(cmd) {
		names = append(names, variable(flag))
	}
	sort.Strings(names)
	for _, pair := range environ {
		name, _, _ := strings.Cut(pair, "=")
		if !strings.HasPrefix(name, "GEARWITNESS_") || slices.Contains(names, name) {
			continue
		}
		if near := diag.Nearest(name, names); near != "" {
			fmt.Fprintf(w, "gearwitness: %s in the environment is no setting; did you mean %s?\n", name, near)
		}
	}
}

// flagNames are the flags of all commands.
func flagNames(cmd *cobra.Command) map[string]bool {
	known := map[string]bool{}
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		c.Flags().VisitAll(func(f *pflag.Flag) { known[f.Name] = true })
		c.PersistentFlags().VisitAll(func(f *pflag.Flag) { known[f.Name] = true })
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(cmd.Root())
	return known
}

// knownSettings refuses keys that no command has as a flag, with the nearest
// one that some command has.
func knownSettings(cmd *cobra.Command, path string, keys []string) error {
	known := flagNames(cmd)
	names := make([]string, 0, len(known))
	for n := range known {
		names = append(names, n)
	}
	sort.Strings(names)
	sort.Strings(keys)
	var unknown []error
	for _, k := range keys {
		if known[k] {
			continue
		}
		unknown = append(unknown, fmt.Errorf("configuration file %s: unknown setting %q%s", path, k, diag.Suggest(k, names)))
	}
	if unknown != nil {
		return usageError{errors.Join(unknown...)}
	}
	return nil
}
