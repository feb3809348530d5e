// Package farm computes many transfers on many machines. NATS JetStream is the
// queue, the store and the only thing that the machines share; nothing here
// queues, locks, leases or elects.
//
// What lies where, with the farm's name in place of selvage:
//
//	stream selvage-tasks     a message a task, subject selvage.tasks.JOB.KEY, until
//	                         it is acknowledged; never two on one subject
//	stream selvage-dead      tasks that were given up, with the error
//	key-value selvage-jobs   job.ID: the job; task.ID.KEY: how far a task is
//	objects selvage-assets   bodies and garments by the SHA-256 of their bytes,
//	                         and the tasks of every job
//	objects selvage-results  finished assets by convert.WorkKey
//
// The way of a task, one file a step:
//
//	farm.go      Open: connect, streams and stores
//	embedded.go  the server in this process, where no address is given
//	store.go     objects: put until they are there, read until they are right
//	jobs.go      Create: assets are there, tasks go into the queue; Cancel, Retry
//	status.go    how far a task is: each change only upon the one it follows
//	worker.go    Worker: pull, refuse or begin, keep the claim, finish, acknowledge
//	compute.go   bytes to bytes, within memory
//	watch.go     news of a job
//	metrics.go   what to scale by
//
// A task may run more than once: after a crash, a cut, a slow worker. That is
// harmless, as its result has a name made of its content and is in the store
// before its message is acknowledged.
package farm
