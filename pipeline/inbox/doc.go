// Package inbox finds clips in folders that other people and devices write to.
//
// A file goes through these steps:
//
//  1. watch   changes are told by the system, or found by looking again and again
//  2. scan    everything that lies in the folders is seen, links are not followed
//  3. settle  a file is left alone until it has been quiet for a while since its
//     LAST change and nobody on this machine has it open for writing
//  4. hash    it is read once; one that changes meanwhile settles again
//  5. place   path, sidecar and file name say whose it is
//
// Nothing is opened but plain files inside the folders, nothing is written or
// moved here.
package inbox
