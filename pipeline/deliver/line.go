package deliver

import (
	"context"
	"time"

	"tapeline/pipeline"
)

// How a connection to the mail server is protected (Server.TLS).
const (
	StartTLS    = "starttls" // upgraded before anything else is said; the rule at port 587
	ImplicitTLS = "tls"      // from the first byte; the rule at port 465
	NoTLS       = "none"     // only where the server is this machine
)

// Server is the mail server that takes the letters, and how to speak to it.
type Server struct {
	Host     string
	Port     int    // 0: 465 with ImplicitTLS, else 587
	TLS      string // see StartTLS; empty: ImplicitTLS at port 465, else StartTLS
	User     string // empty: no AUTH
	Password string
	Helo     string        // name given in EHLO; empty: "[127.0.0.1]", which tells nothing about this machine
	Timeout  time.Duration // for a connection, a command, or a piece of a message to go; 0: a minute
	DSN      bool          // ask for a notice of failure or delay where the server offers it
}

// Dial opens a line to the server: connection, TLS and, with a User, AUTH.
func Dial(ctx context.Context, s Server) (Line, error) {
	return nil, &pipeline.Error{Fault: pipeline.FaultInternal, Step: "mail", What: "no line yet"}
}
