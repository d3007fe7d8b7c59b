"""One thread for linear algebra, as on the command line: said before numpy is loaded."""

from reconcile.running.threads import one_thread_each

one_thread_each()
