// Package jobs takes clips from the inbox to their lessons, each exactly once.
//
// A clip goes through these states:
//
//	waiting → running → publishing → done        its original lies in archive/
//	                  ↘ failed                   in failed/, with the reason beside
//	unplaced, held                               in unplaced/; where it was dropped
//
// The recording of a whole lesson goes the same way once, see recording.go:
// what is published of it are its cuts, which are clips from then on. A lesson
// is made anew by letting its done clip wait again, see redraw.go.
//
// River (riverqueue.com) runs a job at least once. That its lesson appears once
// is this package's work: a claim raises the clip's fence; the lesson is made in
// a folder of that fence; a transaction that checks the fence notes what will
// be renamed where; the rename; the ledger, which knows a clip by its content;
// the transaction that says done. Where the program dies between, Recover goes
// by what is on the disk: what was renamed or could be is finished, everything
// else undone.
//
// Where an original belongs follows from its state (see Engine.home), and
// where it lies stands in its row, so that a move that was cut off is made
// again.
package jobs
