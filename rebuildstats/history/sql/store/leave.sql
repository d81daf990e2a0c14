-- Close the file that is open as `store`.
use memory; detach database if exists store
