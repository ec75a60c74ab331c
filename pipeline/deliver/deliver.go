// Package deliver writes the letter to one family and hands it to a mail
// server. It decides nothing: whether, when and to whom a lesson may leave is
// the outbox's business (pipeline/outbox).
//
//  1. message.go: a Letter becomes the bytes of a message, the same every time
//  2. line.go: a message goes over one connection to the server, which answers
//     for every address
package deliver

import (
	"context"
	"net/mail"
	"net/url"
	"time"

	"tapeline/pipeline"
)

// Letter is all that the message to one family says and carries. The files are
// those that may leave (pipeline.Leaving), never those of the lesson's folder.
type Letter struct {
	ID       string // of the release: 32 hex digits, the stable part of the Message-ID
	At       time.Time
	Lang     string // "en" or "es"
	Imperial bool

	FirstName string // of the player; empty: none is used
	Day       string // filmed, 2006-01-02
	To        []mail.Address

	From        mail.Address // the coach
	ReplyTo     mail.Address // zero: From
	Academy     Academy
	Unsubscribe *url.URL // https; nil: no List-Unsubscribe

	Report   pipeline.Report
	Note     string // the coach's own words to this family
	Sheet    string // paths; Sheet is needed
	Film     string // empty: it waits with the coach, FilmWaits says why
	Captions string
	// FilmWaits is a code of words.Lang.Mail.
	FilmWaits string
}

// Academy is how an academy shows itself at the head of its letters.
type Academy struct {
	Name   string
	Colour string // #rrggbb; empty: tapeline's own
	Foot   string // a line at the end: address, telephone
}

// Message is a letter as it goes out.
type Message struct {
	ID   string   // Message-ID without its angle brackets
	From string   // address of the envelope
	To   []string // addresses of the envelope
	Raw  []byte   // RFC 5322, CRLF
	Hash string   // SHA-256 of Raw, hex
}

// Outcome of handing a message over, for one address.
type Outcome string

// The outcomes. Unsure: the message had gone and no answer came; the server may
// or may not deliver it.
const (
	Taken  Outcome = "taken"  // 250 after the message
	Later  Outcome = "later"  // 4xx, or no connection: may be tried again
	Never  Outcome = "never"  // 5xx: not again
	Unsure Outcome = "unsure" // see above
)

// Answer is what became of one address.
type Answer struct {
	To      string
	Outcome Outcome
	Code    int    // of SMTP; 0: none came
	Text    string // the server's words, one line, at most 200 bytes
}

// Line is an open connection to a mail server.
type Line interface {
	// Send hands a message over to the addresses to, a subset of m.To, and
	// gives an answer for every one of them. going is called once when the
	// server has taken at least one address and just before the first byte of
	// the message goes: an error from it stops the sending, and nothing has
	// left. err is for what concerns the connection: the line is then dead.
	Send(ctx context.Context, m *Message, to []string, going func(taken []string) error) (answers []Answer, err error)
	Close() error
}
