package diag

import (
	"fmt"
	"strings"
)

// Message says what is wrong and what to do about it, without saying where. Each
// part is a piece of a sentence without a capital or a full stop; those that say
// nothing are empty. It is an error, so that whoever reads a single word can
// return one, and the reader of the file adds the place.
//
//	diag.Expect("1 to 8 bytes").Got("%d", n).Hint("longer frames need fd: true")
type Message struct {
	// Subject is the key that it is about, where the place alone does not say it.
	Subject string `json:"subject,omitempty"`
	// Problem is what is wrong, where Expected and Found do not say it: unknown
	// unit "rpn".
	Problem string `json:"problem,omitempty"`
	// Expected is what could stand there: a unit such as rpm, °C, kPa.
	Expected string `json:"expected,omitempty"`
	// Found is what stands there.
	Found string `json:"found,omitempty"`
	// Suggestion is the nearest valid spelling.
	Suggestion string `json:"suggestion,omitempty"`
	// Help is what to do, or why it has to be so.
	Help string `json:"help,omitempty"`
}

// About begins a message about a key.
func About(subject string) Message { return Message{Subject: subject} }

// Say begins a message by what is wrong.
func Say(format string, args ...any) Message { return Message{}.Say(format, args...) }

// Expect begins a message by what was expected.
func Expect(format string, args ...any) Message { return Message{}.Expect(format, args...) }

// About returns the message with the key that it is about.
func (m Message) About(subject string) Message {
	m.Subject = subject
	return m
}

// Say returns the message with what is wrong.
func (m Message) Say(format string, args ...any) Message {
	m.Problem = fmt.Sprintf(format, args...)
	return m
}

// Expect returns the message with what was expected.
func (m Message) Expect(format string, args ...any) Message {
	m.Expected = fmt.Sprintf(format, args...)
	return m
}

// Got returns the message with what was found instead.
func (m Message) Got(format string, args ...any) Message {
	m.Found = fmt.Sprintf(format, args...)
	return m
}

// Suggest returns the message with the candidate spelled most like name, if one
// is near.
func (m Message) Suggest(name string, candidates []string) Message {
	m.Suggestion = Nearest(name, candidates)
	return m
}

// Hint returns the message with what to do.
func (m Message) Hint(format string, args ...any) Message {
	m.Help = fmt.Sprintf(format, args...)
	return m
}

// Text returns the message on one line:
//
//	subject: problem; expected this, found that; help; did you mean "x"?
func (m Message) Text() string {
	var parts []string
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	if m.Problem != "" {
		add("%s", m.Problem)
	}
	switch {
	case m.Expected != "" && m.Found != "":
		add("expected %s, found %s", m.Expected, m.Found)
	case m.Expected != "":
		add("expected %s", m.Expected)
	case m.Found != "":
		add("found %s", m.Found)
	}
	if m.Help != "" {
		add("%s", m.Help)
	}
	if m.Suggestion != "" {
		add("did you mean %q?", m.Suggestion)
	}
	text := strings.Join(parts, "; ")
	if m.Subject != "" {
		return m.Subject + ": " + text
	}
	return text
}

// Error returns Text.
func (m Message) Error() string { return m.Text() }
