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
// # Several machines
//
// With a Depot several machines work at one store. The office takes clips in,
// has what comes of them in its work folder, and may read, too; workers only
// read. What changes:
//
//	office   taken/ → depot clips/HASH/… (stock) → the clip's job
//	worker   claim, its name in the row → original fetched, hash checked, consent
//	         asked → child → lesson stored as lessons/PLAYER/DAY-HASH8/FENCE →
//	         intent → ledger, with the fence → done
//	office   lesson fetched to lessons/PLAYER/DAY-HASH8, original to archive/ (bring)
//
// Nothing is renamed: a lesson is its row's when intend has named its key, and
// every claim stores under a key of its own. A worker says that it lives by a
// number in its row that grows; the others look, each by its own monotonic clock
// and only while it does look, and take one that was silent for too long for
// gone. The one that gave no sign is never asked: whatever it still does meets a
// fence. By where it stopped, for good or only for a while:
//
//	before claim    the job is removed and made anew; a claim of one that is
//	                gone meets no row
//	claimed … read  the clip waits again; the scratch folder is swept by who has
//	                that folder next. Awake: progress, or at the latest intend,
//	                is stale, the child is killed
//	stored          as before; the stored lesson is no row's. Awake: intend is
//	                stale, and it is removed by who stored it, but never where
//	                the row names it (the intent may be committed, its answer
//	                lost); else the office removes it after a day
//	intended        another one raises the fence and ends it from the depot:
//	                ledger, done. Awake: the row has a newer fence when the ledger
//	                asks (Still), or published is stale; nothing is removed, it is the row's
//	recorded        as intended; the ledger has it under the newer fence then
//	done            nothing is left to do but bring, which the row asks for
//	                until the office has noted it
//
// Who wakes or is heard again finds that its beat meets no row, kills its
// children, waits for their end and begins anew under another name. While the
// store is away nobody is heard and nobody looks, so that nobody is gone when it
// is back; every write is tried again, and one whose COMMIT was not answered is
// looked for. While the depot is away clips wait, without a try lost.
//
// What the depot has damaged or lost is made good: of an original the row says so
// (Spoilt, or 0, in stocked) and the office stores it anew from its own; a lesson
// is read anew, its row waiting with BadDepot.
//
// What is forgotten loses its row first and its lesson in the ledger afterwards,
// and a worker asks for the row in the ledger's own transaction (Still): either it
// finds none, or its lesson is there before the ledger's are taken out. Nothing of
// it comes back, wherever a worker stood still or died.
//
// What was done before there was a depot the office brings into it, see
// before.go, and has store and ledger name its folders below the work folder, so
// that the next office finds it as it finds what came later.
//
// Office and desk count by the office's clock alone: a lesson's track.json has
// the time at which its notes were stored, so that later ones are later.
//
// Where an original belongs follows from its state (see Engine.home), and
// where it lies stands in its row, so that a move that was cut off is made
// again.
package jobs
