"""One behaviour, three executions: the table, the desk build and the chip, held together tick for tick."""

from statecraft.agreement.compare import Comparison, Difference
from statecraft.agreement.inputs import Course, Stretch, course_of, cut, each_tick, length

__all__ = ["Comparison", "Course", "Difference", "Stretch", "course_of", "cut", "each_tick", "length"]
