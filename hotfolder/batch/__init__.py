"""Batches: a ticket's rows become jobs, and what becomes of them is told together.

``ticket`` reads what a person wrote, ``changes`` and ``naming`` say what a row asks for, ``desk``
takes in what is dropped and plans the jobs, ``folder`` writes what the batch's folder says.
"""
