package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"
)

// output is a file that appears under its name only when it is whole: until
// commit it stands beside it as NAME.part. The name "-" is standard output;
// devices and pipes (/dev/null, a named pipe) are written as they are.
type output struct {
	*bufio.Writer
	name string
	file *os.File // nil for standard output
	part bool     // written under the name NAME.part
}

// createOutput opens an output; an empty name gives nil.
func createOutput(name string, stdout io.Writer) (*output, error) {
	switch name {
	case "":
		return nil, nil
	case "-":
		return &output{Writer: bufio.NewWriterSize(stdout, 1<<16), name: name}, nil
	}
	o := &output{name: name, part: true}
	if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() {
		o.part = false
	}
	var err error
	if o.part {
		o.file, err = os.Create(name + ".part")
	} else {
		o.file, err = os.OpenFile(name, os.O_WRONLY, 0)
	}
	if err != nil {
		return nil, fmt.Errorf("%s cannot be written: %w", name, plainFileError(err))
	}
	o.Writer = bufio.NewWriterSize(o.file, 1<<20)
	return o, nil
}

// commit writes what is buffered and gives the file its name.
func (o *output) commit() error {
	if o == nil {
		return nil
	}
	err := o.Flush()
	if o.file == nil {
		if err != nil {
			return fmt.Errorf("standard output: %w", err)
		}
		return nil
	}
	if e := o.file.Close(); err == nil {
		err = e
	}
	if err == nil && o.part {
		err = os.Rename(o.file.Name(), o.name)
	}
	if err != nil {
		return fmt.Errorf("%s cannot be written: %w", o.name, plainFileError(err))
	}
	o.file = nil
	return nil
}

// discard removes what was begun, unless it was committed.
func (o *output) discard() {
	if o == nil || o.file == nil {
		return
	}
	o.file.Close()
	if o.part {
		os.Remove(o.file.Name())
	}
	o.file = nil
}

// progress shows how far long work is, on a terminal or to whoever asked, at most
// ten times a second.
type progress struct {
	w    io.Writer    // a terminal; nil: none
	tell func(string) // nil: nobody asked
	last time.Time
	wide int
}

// newProgress watches w if it is a terminal.
func newProgress(w io.Writer) *progress {
	f, ok := w.(*os.File)
	if !ok {
		return &progress{}
	}
	info, err := f.Stat()
	if err != nil || info.Mode()&os.ModeCharDevice == 0 {
		return &progress{}
	}
	return &progress{w: w}
}

func (p *progress) show(text func() string) {
	if p.w == nil && p.tell == nil || time.Since(p.last) < 100*time.Millisecond {
		return
	}
	p.last = time.Now()
	s := text()
	if p.tell != nil {
		p.tell(s)
		return
	}
	fmt.Fprintf(p.w, "\r%-*s", p.wide, s)
	p.wide = max(p.wide, len(s))
}

// done clears the line.
func (p *progress) done() {
	if p.w != nil && p.wide > 0 {
		fmt.Fprintf(p.w, "\r%*s\r", p.wide, "")
	}
}

// plainFileError says what is wrong with a file in words that need no
// knowledge of system calls.
func plainFileError(err error) error {
	switch {
	case errors.Is(err, os.ErrNotExist):
		return errors.New("there is no such file or folder; check the path")
	case errors.Is(err, os.ErrPermission):
		return errors.New("access is not permitted; check the rights of the file and its folder")
	case isDiskFull(err):
		return errors.New("the disk is full; make room or choose another folder")
	}
	return err
}

// distinct refuses one file for two outputs.
func distinct(names ...string) error {
	seen := map[string]bool{}
	for _, name := range names {
		path, err := filepath.Abs(name)
		if name == "" || err != nil {
			continue
		}
		if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() {
			continue // a device may well take both
		}
		if seen[path] {
			return usagef("%s cannot hold two outputs; choose another name for one", name)
		}
		seen[path] = true
	}
	return nil
}
