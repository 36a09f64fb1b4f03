package main

import (
	"errors"
	"fmt"
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
		v.SetConfigFile(path)
		if err := v.ReadInConfig(); err != nil {
			return usagef("configuration file %s cannot be used: %w", path, plainFileError(err))
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
		values := []string{v.GetString(f.Name)}
		if _, many := f.Value.(pflag.SliceValue); many {
			values = v.GetStringSlice(f.Name)
		}
		for _, value := range values {
			if e := cmd.Flags().Set(f.Name, value); e != nil {
				err = usagef("setting %q (from GEARWITNESS_%s or the configuration file): %w",
					f.Name, strings.ToUpper(strings.ReplaceAll(f.Name, "-", "_")), e)
			}
		}
	})
	return err
}

// knownSettings refuses keys that no command has as a flag, with the nearest
// one that some command has.
func knownSettings(cmd *cobra.Command, path string, keys []string) error {
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
		hint := ""
		if near := diag.Nearest(k, names); near != "" {
			hint = fmt.Sprintf("; did you mean %q?", near)
		}
		unknown = append(unknown, fmt.Errorf("configuration file %s: unknown setting %q%s", path, k, hint))
	}
	if unknown != nil {
		return usageError{errors.Join(unknown...)}
	}
	return nil
}
