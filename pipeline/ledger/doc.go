// Package ledger remembers players and their lessons: measures with bounds and
// findings, lesson after lesson.
//
//  1. open.go: the file is looked at before anything may change it; a new one
//     appears whole or not at all
//  2. migrations/: its tables, version after version, up and down
//  3. ledger.go: one lesson is recorded in one transaction; the same clip read
//     again takes the place of what was there
//  4. session.go: the swings of one day, their middle and spread
//
// It holds data of children: the file is for its owner's eyes only, and no name
// but a first name goes in. The SQL is plain, so that another database can pass
// the same contract (contract_test.go).
package ledger
