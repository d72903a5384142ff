"""What a running agreement may go through without ending: other terms, holds, people; and its transfer and its void.

Each operation is one transaction: claim the request, lock, check the state, write, note it in the timeline, ask for the letter.
Which periods are billed, and what is owed, the flows of higher rooms know and tell.
"""
