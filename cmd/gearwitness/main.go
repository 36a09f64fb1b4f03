// Command gearwitness shows, on the road, whether an automatic gearbox does
// what it should, and keeps the evidence: it reads frames from a CAN adapter,
// decodes them through a vehicle file, computes gear, slip, shifts and
// temperatures, shows them in a browser and archives the session.
//
// This package is commands, configuration and wiring, nothing else.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"gearwitness/signals/diag"
)

// Exit statuses; each command's help lists those it uses.
const (
	exitDone   = 0
	exitWrong  = 1 // the thing examined was found wrong
	exitUsage  = 2 // the command was used wrong
	exitFailed = 3 // the work could not be done
)

func main() {
	// A closed terminal (HUP) ends a drive in order, too.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	// A second Ctrl-C ends at once, should the orderly way out hang.
	context.AfterFunc(ctx, stop)
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// run executes one command line and returns its exit status.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.SetFlagErrorFunc(flagError)
	started := false
	root.PersistentPreRunE = func(cmd *cobra.Command, _ []string) error {
		if err := applySettings(cmd, os.LookupEnv); err != nil {
			return err
		}
		hintMisspelt(cmd, os.Environ(), stderr)
		started = true
		return nil
	}
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	// Whatever cobra finds before a command starts is a matter of usage.
	if usage := (usageError{}); !started && !errors.As(err, &usage) {
		err = usageError{err}
	}
	return report(err, stderr)
}

// usageError says that a command was used wrong.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// usagef makes a usageError.
func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// flagError puts what is wrong with a flag's value in words.
func flagError(cmd *cobra.Command, err error) error {
	var invalid *pflag.InvalidValueError
	var unknown *pflag.NotExistError
	switch {
	case errors.As(err, &unknown) && len(unknown.GetSpecifiedName()) > 1:
		var names []string
		cmd.Flags().VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
		return usagef("%s has no flag --%s%s", cmd.CommandPath(), unknown.GetSpecifiedName(), diag.Suggest(unknown.GetSpecifiedName(), names))
	case !errors.As(err, &invalid):
		return usageError{err}
	}
	f := invalid.GetFlag()
	expected := map[string]string{
		"duration": "a time such as 90s, 20m or 1h30m",
		"bool":     "true or false",
		"uint64":   "a whole number from 0 up",
		"int":      "a whole number",
		"float64":  "a number",
	}[f.Value.Type()]
	if expected == "" {
		return usageError{err}
	}
	return usagef("--%s: expected %s, found %q", f.Name, expected, invalid.GetValue())
}

// wrongError says that what was examined is wrong; the findings are already
// printed when its text is empty.
type wrongError struct{ text string }

func (e wrongError) Error() string { return e.text }

// readSource returns the text of a vehicle file for the excerpt of a finding.
func readSource(name string) []byte {
	info, err := os.Stat(name)
	if err != nil || !info.Mode().IsRegular() {
		return nil // what cannot be read again: the finding stands without its excerpt
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return nil
	}
	return text
}

// report prints an error in the words of the trade and returns the exit
// status that belongs to it.
func report(err error, stderr io.Writer) int {
	var (
		usage    usageError
		wrong    wrongError
		findings diag.List
	)
	switch {
	case errors.As(err, &wrong):
		if wrong.text != "" {
			fmt.Fprintln(stderr, "gearwitness:", wrong.text)
		}
		return exitWrong
	case errors.As(err, &findings):
		fmt.Fprintln(stderr, findings.Excerpts(readSource))
		return exitWrong
	case errors.As(err, &usage):
		// A command's path begins with the name of the program, too.
		fmt.Fprintln(stderr, "gearwitness:", strings.TrimPrefix(strings.TrimSpace(usage.Error()), "gearwitness "))
		fmt.Fprintln(stderr, "See `gearwitness --help`, or --help after a command.")
		return exitUsage
	case errors.Is(err, context.Canceled):
		fmt.Fprintln(stderr, "gearwitness: stopped before the end")
		return exitFailed
	}
	fmt.Fprintln(stderr, "gearwitness:", err)
	return exitFailed
}
