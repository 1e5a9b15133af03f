// Package batch moves packets of a socket several a system call: recvmmsg(2)
// and sendmmsg(2). On a Unix socket, 32 a call carry about four times the
// frames of one a call.
//
// Nothing is allocated after a Reader or Writer was made. Neither may be used
// by two goroutines at once; a Reader and a Writer of one socket may.
package batch
