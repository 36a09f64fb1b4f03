// Package diag holds findings about text that a person wrote: where, what was
// found, what was expected and what to do. Findings are data first; Error and
// Excerpt turn them into text.
//
// Lines and columns count from 1, columns in Unicode code points, a tab as one.
package diag

// Pos is a place in a file.
type Pos struct {
	File   string
	Line   int
	Column int
}

// Severity orders findings.
type Severity uint8

// Severities: an error stops the use of a file, a warning does not.
const (
	Error Severity = iota
	Warning
)

// Finding is one thing to tell about a file.
type Finding struct {
	Severity Severity
	Pos      Pos    // first character of the subject
	Length   int    // of the subject in code points, at least 1
	Text     string // "unknown unit "rpn"; expected ...; did you mean "rpm"?"
	Also     *Pos   // the other place of a duplicate or contradiction
}

// List is a collection of findings, an error when it holds one of severity
// Error.
type List []Finding
