/* What the shim tells the tracer: arguments of getppid(), which takes none. */
#ifndef HOLDFAST_TESTS_FAILING_MARKS_H
#define HOLDFAST_TESTS_FAILING_MARKS_H

#define MARK_BEGIN  0x686f6c01L /* the loader is done, main() comes next */
#define MARK_FAILED 0x686f6c02L /* the allocation has failed */
#define MARK_AGAIN  0x686f6c03L /* and one after it */
#define MARK_COUNT  0x686f6c04L /* at the end: the second argument is how many allocations there were */

#endif
