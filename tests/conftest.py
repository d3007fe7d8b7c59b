"""For all tests: the command line as a fixture, and one thread for linear algebra as it has, before numpy is loaded."""

from reconcile.running.threads import one_thread_each
from tests.command_line import reconcile as reconcile

one_thread_each()
